/* Small bars week by week, on a scale that all of them share; the newest weeks carry the colour of
   their state, older ones are quiet. */
(function () {
  "use strict";
  const h = window.React.createElement;
  const WIDTH = 130;
  const HEIGHT = 34;
  const RECENT = 2;

  function state(value, watch, act) {
    if (value >= act) return "act";
    return value >= watch ? "watch" : "ok";
  }

  window.boomledger.WeekBars = function WeekBars(props) {
    const step = WIDTH / props.values.length;
    const y = (value) => HEIGHT - 1 - (Math.min(value, props.full) / props.full) * (HEIGHT - 3);
    const parts = [props.watch_from, props.act_from].map((level) =>
      h("line", { key: "level" + level, className: "bl-week-level", x1: 0, x2: WIDTH, y1: y(level), y2: y(level) }),
    );
    props.values.forEach((value, place) => {
      const x = place * step + step * 0.14;
      const width = step * 0.72;
      if (value === null || value === undefined) {
        parts.push(h("line", { key: place, className: "bl-week-none", x1: x, x2: x + width, y1: HEIGHT - 1, y2: HEIGHT - 1 }));
        return;
      }
      const top = Math.min(y(value), HEIGHT - 2.5);
      parts.push(
        h("rect", {
          key: place,
          className: "bl-week bl-week-" + (place < props.values.length - RECENT ? "past" : state(value, props.watch_from, props.act_from)),
          x, width, y: top, height: HEIGHT - 1 - top,
        }),
      );
    });
    return h(
      "svg",
      { id: props.id, className: "bl-weeks", viewBox: `0 0 ${WIDTH} ${HEIGHT}`, preserveAspectRatio: "none", role: "img", "aria-label": props.label },
      parts,
    );
  };

  /* Utilisation against its band, kept current by the live feed: the hatched part is from the warning to the limit. */
  window.boomledger.LiveBar = function LiveBar(props) {
    const row = window.boomledger_live.useLive(props.crane);
    const live = row && row.values ? row.values[props.channel] : undefined;
    const value = typeof live === "number" ? live : props.value;
    const part = (percent) => Math.max(0, Math.min(100, (100 * percent) / props.full)) + "%";
    const known = typeof value === "number";
    return h(
      "span",
      { id: props.id, className: "bl-bar bl-live-bar bl-" + (known ? state(value, props.watch_from, props.act_from) : "stale") },
      h(
        "span",
        { className: "bl-bar-track", role: "img", "aria-label": props.label },
        h("span", { className: "bl-bar-band", style: { left: part(props.watch_from), width: `calc(${part(props.act_from)} - ${part(props.watch_from)})` } }),
        known ? h("span", { className: "bl-bar-fill", style: { width: part(value) } }) : null,
      ),
    );
  };

  /* A due day that is past or near carries its shape as well as its colour. */
  window.dashAgGridComponentFunctions.ServiceCell = ({ data }) =>
    data.service_state === "ok"
      ? h("span", { className: "bl-cell-soft" }, data.service_text)
      : h("span", { className: "bl-mark bl-" + data.service_state }, h("span", { className: "bl-mark-shape", "aria-hidden": true }), data.service_text);
})();
