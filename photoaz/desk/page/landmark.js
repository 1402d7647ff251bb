// The form of a landmark: its name, and its place as people write it, read when the field is left and shown on the plan.

import { post } from "./api.js";
import { h, show, typedNumber } from "./dom.js";
import { bearingOf, frameOf, metres } from "./plan.js";
import { azimuth, plain } from "./spelled.js";
import { bodyOf, pickOnPlan, setControl } from "./tools.js";

/** Read the place that was typed into a draft; true where there is one. What was read already is not asked again. */
async function readPlace(page, d) {
  const v = d.values;
  const text = String(v.place ?? "").trim();
  if (text === v.read) return v.lat_deg != null;
  Object.assign(v, { read: text, lat_deg: null, lon_deg: null, problem: null });
  if (text) {
    try {
      Object.assign(v, await post("/api/place", {}, { text }));
      page.far = page.far || !v.problem;
    } catch (error) {
      v.problem = error.message;
    }
  }
  if (page.draft === d) {
    // not the whole panel: a click on its way to "Set" would be lost
    const place = page.panelBox.querySelector(".placeread");
    if (place) show(place, readAs(page, v));
    page.redraw("plan");
  }
  return v.lat_deg != null;
}

/** What was read, in words: whoever typed it sees whether it is meant. */
function readAs(page, v) {
  if (v.problem) return h("p", { class: "trouble" }, `Position: ${v.problem}.`);
  if (v.lat_deg == null) return null;
  const at = frameOf(page.data.lat_deg, page.data.lon_deg).metres(v.lat_deg, v.lon_deg);
  const away = Math.hypot(...at);
  return h(
    "p",
    { class: away > 100e3 ? "warn readas" : "readas" },
    `Read as ${placeText(v)}: ${metres(away)} from the tower at ${azimuth(bearingOf(at))}, marked on the plan by a cross.`,
    away > 100e3 ? " Nobody sees so far: are latitude and longitude exchanged, or is a sign missing?" : "",
  );
}

export const placeText = ({ lat_deg, lon_deg }) =>
  `${plain(Math.abs(lat_deg), 6)}° ${lat_deg < 0 ? "S" : "N"}, ${plain(Math.abs(lon_deg), 6)}° ${lon_deg < 0 ? "W" : "E"}`;

export function landmarkForm(page, cancel) {
  const d = page.draft,
    v = d.values;
  const known = page.landmarksElsewhere();
  const field = (name, words, size, more = {}) =>
    h(
      "label",
      {},
      words,
      " ",
      h("input", {
        name,
        "data-key": `f-${name}`,
        size,
        value: v[name] ?? "",
        oninput: (e) => {
          v[name] = e.target.value;
        },
        ...more,
      }),
    );
  const form = h(
    "form",
    {
      class: "row",
      onsubmit: async (e) => {
        e.preventDefault();
        if (!(await readPlace(page, d))) return;
        setControl(page, {
          kind: "landmark",
          name: String(v.name ?? "").trim(),
          pixel: d.points[0],
          lat_deg: v.lat_deg,
          lon_deg: v.lon_deg,
          height_m: typedNumber(v.height_m),
          u95: typedNumber(v.u95),
        });
      },
    },
    field("name", "Name", 16, { "data-first": known.length ? null : "", required: true }),
    field("place", "Position", 26, {
      required: true,
      placeholder: "49.15546, 14.2",
      title: "Latitude and longitude, WGS84: decimal degrees with a point or a comma, or degrees, minutes, seconds",
      onchange: () => readPlace(page, d),
    }),
    field("height_m", "Height, m", 6, {
      inputmode: "decimal",
      title: "Of the marked point above the ground at the tower; without it only its direction in plan is used",
    }),
    field("u95", "Good to ± m", 5, { inputmode: "decimal", placeholder: "10" }),
    h(
      "button",
      {
        type: "button",
        "data-key": "pickplan",
        "aria-pressed": page.picking ? "true" : "false",
        onclick: () => pickOnPlan(page),
      },
      page.picking ? "Click in the plan…" : "Pick on the plan",
    ),
    h("button", { class: "main", type: "submit", "data-key": "set" }, "Set"),
    cancel,
  );
  return [
    h("h2", {}, "Landmark"),
    known.length
      ? h(
          "div",
          { class: "row" },
          h("span", {}, "Known at this site: "),
          known.map((l, k) =>
            h(
              "button",
              {
                "data-key": `known-${l.name}`,
                "data-first": k ? null : "",
                onclick: () => setControl(page, { ...bodyOf(l), pixel: d.points[0] }),
              },
              l.name || "without a name",
            ),
          ),
        )
      : null,
    form,
    h("div", { class: "placeread", role: "status" }, readAs(page, v)),
  ];
}
