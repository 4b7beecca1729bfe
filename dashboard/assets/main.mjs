/* The one script that Dash loads of ours: it imports the others, and gives Dash the components of dashboard/parts/components.py. */
import { watch } from "./contact.mjs";
import { SideView, TopView } from "./drawings.mjs";
import "./keyboard.mjs";
import { Drawing, Go, Link } from "./links.mjs";
import { Age, Choice, LiveBar, LiveFeed, LiveMark, LiveValue } from "./live.mjs";
import "./paper.mjs";
import { Player } from "./replay.mjs";
import { watchTyping } from "./typed.mjs";
import "./ui.mjs";

window.boomledger = { Age, Choice, Drawing, Go, Link, LiveBar, LiveFeed, LiveMark, LiveValue, Player, SideView, TopView };
watch();
watchTyping();
