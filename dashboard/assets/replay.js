/* Playing back a recorded span: the frames came with the page, time passes here. */
(function () {
  "use strict";
  const dash = (window.dash_clientside = window.dash_clientside || {});
  const same = () => window.dash_clientside.no_update;
  const POSE = ["main_boom_deg", "knuckle_boom_deg", "extension_m", "jib_deg", "jib_extension_m", "stabiliser_left_pct", "stabiliser_right_pct"];
  const TICK_MS = 100;
  let clock = null;

  dash.boomledger_replay = {
    toggle: (clicks, disabled) => {
      clock = null;
      return [!disabled, window.boomledger_words[disabled ? "hold" : "play"]];
    },
    /* The recorded clock runs `speed` times as fast as the wall; a gap in the record is jumped. */
    advance: (ticks, place, speed, frames) => {
      const times = frames.at_ms;
      if (place >= times.length - 1) return same();
      if (clock === null || clock.place !== place) clock = { place, at: times[place] };
      clock.at += TICK_MS * Number(speed);
      let next = place;
      while (next < times.length - 1 && times[next + 1] <= clock.at) next += 1;
      if (next === place && times[place + 1] - times[place] > 60000) next = place + 1;
      if (next === place) return same();
      clock = { place: next, at: Math.max(clock.at, times[next]) };
      return next;
    },
    show: (place, frames) => {
      if (!frames || !frames.at_ms.length) return [same(), same(), same()];
      const index = Math.min(place || 0, frames.at_ms.length - 1);
      const pose = {};
      POSE.forEach((name) => {
        if (frames[name][index] !== null) pose[name] = frames[name][index];
      });
      const when = new Intl.DateTimeFormat("en-GB", { dateStyle: "medium", timeStyle: "medium", timeZone: frames.zone, hourCycle: "h23" });
      return [pose, frames.utilisation_pct[index], `${when.format(frames.at_ms[index])} ${frames.zone}`];
    },
  };
})();
