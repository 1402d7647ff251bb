// A map without anything from elsewhere: a grid, a scale, the tower, where photos were taken and which way they looked.

import { h, s, show } from "./dom.js";
import { bearingOf, frameOf, metres, nice } from "./plan.js";
import { azimuth } from "./spelled.js";

const WIDE = 470,
  HIGH = 330,
  MIDDLE = [WIDE / 2, HIGH / 2];

/** What a click on the map sets: the tower, or where the open photo was taken from. */
function settable(page) {
  const out = page.site ? [] : [["tower", "the tower"]];
  if (!page.photo.position || page.of().place || !out.length) out.unshift(["place", "where I stood"]);
  return out;
}

export function drawDropMap(page) {
  const tower = page.tower();
  const stood = page.data.photos.map((p) => page.standpoint(p));
  const origin = tower ?? stood.find(Boolean);
  if (!origin) return show(page.mapBox, h("p", { class: "muted" }, "Type coordinates of the tower or of where you stood, and a map appears on which the other can be clicked."));
  const frame = frameOf(origin.lat_deg, origin.lon_deg);
  const at = (p) => frame.metres(p.lat_deg, p.lon_deg);
  const things = [tower, ...stood].filter(Boolean).map((p) => Math.hypot(...at(p)));
  const reach = page.zoom * Math.max(60, 1.25 * Math.max(...things.filter((d) => d < 20e3), 0));
  const scale = (HIGH / 2 - 16) / reach;
  const xy = ([e, n]) => [MIDDLE[0] + e * scale, MIDDLE[1] - n * scale];
  const unit = nice(reach / 1.5);
  const parts = [];
  for (let k = -40; k <= 40; k++) {
    const [x, y] = xy([k * unit, k * unit]);
    if (x >= 0 && x <= WIDE) parts.push(s("line", { class: k ? "gridline" : "gridline zero", x1: x, x2: x, y1: 0, y2: HIGH }));
    if (y >= 0 && y <= HIGH) parts.push(s("line", { class: k ? "gridline" : "gridline zero", x1: 0, x2: WIDE, y1: y, y2: y }));
  }
  parts.push(s("text", { class: "mark strong halo", x: WIDE - 16, y: 20, "text-anchor": "middle" }, "N"));
  parts.push(s("path", { class: "scalebar", d: `M${WIDE - 16},44v-18m-4,6l4,-6l4,6` }));
  page.data.photos.forEach((p, k) => {
    if (!stood[k]) return;
    const [x, y] = xy(at(stood[k]));
    if (p.looks_deg != null) {
      const r = (p.looks_deg * Math.PI) / 180;
      parts.push(s("line", { class: "look", x1: x, y1: y, x2: x + 60 * Math.sin(r), y2: y - 60 * Math.cos(r) }));
    }
    parts.push(
      s(
        "g",
        { class: `camera${p === page.photo ? " current" : ""}` },
        s("rect", { x: x - 8, y: y - 7.5, width: 16, height: 15, rx: 2 }),
        s("text", { x, y: y + 4, "text-anchor": "middle" }, k + 1),
        s("title", {}, `${k + 1}: ${p.label}`),
      ),
    );
  });
  if (tower) {
    const [x, y] = xy(at(tower));
    parts.push(s("circle", { class: "tower", cx: x, cy: y, r: 5 }), s("text", { class: "mark strong halo", x: x + 9, y: y - 7 }, "tower"));
  }
  parts.push(s("path", { class: "scalebar", d: `M10,${HIGH - 14}v6h${(unit * scale).toFixed(1)}v-6` }));
  parts.push(s("text", { class: "mark halo", x: 12, y: HIGH - 18 }, metres(unit)));
  const choices = settable(page);
  if (!choices.some(([name]) => name === page.setting)) page.setting = choices[0][0];
  const here = page.standpoint();
  const svg = s("svg", { class: "plan picking", viewBox: `0 0 ${WIDE} ${HIGH}`, role: "img", "aria-label": said(tower, here, at) }, parts);
  svg.addEventListener("click", (e) => {
    const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(svg.getScreenCTM().inverse());
    const [lat_deg, lon_deg] = frame.position((p.x - MIDDLE[0]) / scale, (MIDDLE[1] - p.y) / scale);
    const text = `${lat_deg.toFixed(6)}, ${lon_deg.toFixed(6)}`;
    page.places.set(text, { lat_deg, lon_deg, problem: null });
    const of = page.setting === "tower" ? page.form : page.of();
    of[page.setting] = text;
    // nobody clicks better than that
    of[page.setting === "tower" ? "tower_u_m" : "u_m"] = Math.max((4 / scale) * 1.5, 5).toFixed(0);
    page.changed("form", "map");
  });
  show(
    page.mapBox,
    h("h2", {}, "Map"),
    h(
      "div",
      { class: "row" },
      h("span", {}, "A click sets "),
      choices.map(([name, words]) =>
        h(
          "button",
          {
            "data-key": `set-${name}`,
            "aria-pressed": page.setting === name ? "true" : "false",
            onclick: () => {
              page.setting = name;
              page.redraw("map");
            },
          },
          words,
        ),
      ),
      ["−", "+"].map((sign) =>
        h(
          "button",
          {
            "data-key": `map${sign}`,
            "aria-label": sign === "+" ? "Nearer" : "Farther",
            onclick: () => {
              page.zoom *= sign === "+" ? 0.5 : 2;
              page.redraw("map");
            },
          },
          sign,
        ),
      ),
    ),
    svg,
    tower && here ? h("p", { class: "muted" }, between(at(tower), at(here))) : null,
  );
}

function between([te, tn], [pe, pn]) {
  const d = [te - pe, tn - pn];
  return `From where you stood the tower is ${metres(Math.hypot(...d))} away, at ${azimuth(bearingOf(d))}.`;
}

const said = (tower, here, at) =>
  `Map from above, true north on top. ${tower && here ? between(at(tower), at(here)) : "A click sets what is missing."}`;
