/* The one script that Dash loads of ours: it imports the others, and gives Dash the components of dashboard/parts/components.py. */
import { Age, Choice, LiveBar, LiveFeed, LiveMark, LiveValue } from "./components.mjs";
import { SideView, TopView } from "./drawings.mjs";
import { Player } from "./replay.mjs";
import { Drawing, Go, Link } from "./links.mjs";
import "./contact.mjs";
import "./forms.mjs";
import "./grid_cells.mjs";
import "./paper.mjs";
import "./reach.mjs";
import "./ui.mjs";

window.boomledger = { Age, Choice, Drawing, Go, Link, LiveBar, LiveFeed, LiveMark, LiveValue, Player, SideView, TopView };
