// The short form: how high the antenna hangs, where it should point, what was read; where the photographer stood and the
// tower stands.

import { h, show } from "./dom.js";
import { placeText } from "./landmark.js";
import { metres } from "./plan.js";
import { azimuth, design, percent, plain } from "./spelled.js";

const NORTHS = { true: "true north", magnetic: "magnetic north", grid: "grid north" };
const NEW = { design_north: "true", reading_north: "magnetic", tolerance_deg: "5" };

/** What is wrong with a field, in words; line: of the register's row, 2 for the first antenna. */
const faultOf = (page, column, line = null) =>
  page.faults.filter((f) => f.column === column && (line === null || f.line === line));

function trouble(page, column, line) {
  return faultOf(page, column, line).map((f) =>
    h("p", { class: "trouble", role: "alert" }, `${f.found ? `Found ${f.found}; wanted ` : "Wanted "}${f.wanted}.`),
  );
}

function cell(page, of, name, words, size, more = {}, line = null) {
  return [
    h(
      "label",
      { class: "cell" },
      h("span", {}, words),
      h("input", {
        name,
        "data-key": `d-${name}`,
        size,
        inputmode: "decimal",
        autocomplete: "off",
        "aria-invalid": faultOf(page, name, line).length ? "true" : null,
        value: of[name] ?? "",
        // the form is not drawn anew while somebody is on the way through it: a click on its button would be lost
        oninput: (e) => {
          of[name] = e.target.value.trim();
          page.changed("answer");
        },
        ...more,
      }),
    ),
    trouble(page, name, line),
  ];
}

function north(page, of, name, words) {
  return h(
    "label",
    { class: "cell" },
    h("span", {}, words),
    h(
      "select",
      {
        "data-key": `d-${name}`,
        onchange: (e) => {
          of[name] = e.target.value;
          page.changed("answer");
        },
      },
      Object.entries(NORTHS).map(([v, w]) => h("option", { value: v, selected: of[name] === v }, w)),
    ),
  );
}

export function drawForm(page) {
  const ofRegister = Boolean(page.form.register && page.data.sites);
  show(
    page.formBox,
    ofRegister ? registerPart(page) : [antennaTabs(page), antennaPart(page)],
    ofRegister ? null : towerPart(page),
    standpointPart(page),
    page.faults
      .filter((f) => !["tower", "place", "u_m", "distance_m"].includes(f.column) && !(f.line && f.column in shown(page)))
      .map((f) => h("p", { class: "trouble", role: "alert" }, `Found ${f.found}; wanted ${f.wanted}.`)),
    h(
      "p",
      {},
      h(
        "button",
        { class: "main big", "data-key": "measure", disabled: page.solving, onclick: () => page.measure() },
        page.solving ? "Measuring…" : page.result ? "Measure again" : "Measure",
      ),
      Object.values(page.form.photos).some((p) => p.picks.length)
        ? null
        : h("span", { class: "muted" }, " without a click on the antenna photoaz names it by itself, and may not dare to"),
    ),
  );
}

const shown = (page) => (page.form.register ? {} : { ...FIELDS, ...page.form.antennas[page.antenna] });
const FIELDS = Object.fromEntries(
  ["antenna_id", "rad_center_m", "design_azimuth_deg", "tolerance_deg", "reading_azimuth_deg", "reading_u95_deg"].map((c) => [c, 1]),
);

function antennaTabs(page) {
  const { antennas } = page.form;
  return h(
    "div",
    { class: "row" },
    antennas.length > 1
      ? antennas.map((a, k) =>
          h(
            "button",
            {
              "data-key": `tab-${k}`,
              "aria-pressed": k === page.antenna ? "true" : "false",
              onclick: () => {
                page.antenna = k;
                page.redraw("form", "pick", "marks", "answer");
              },
            },
            a.antenna_id || `antenna ${k + 1}`,
          ),
        )
      : null,
    h(
      "button",
      {
        "data-key": "more-antennas",
        onclick: () => {
          const taken = new Set(antennas.map((a) => a.antenna_id));
          let k = antennas.length + 1;
          while (taken.has(`A${k}`)) k += 1;
          const { rad_center_m } = antennas.at(-1);
          antennas.push({ antenna_id: `A${k}`, rad_center_m, ...NEW });
          page.antenna = antennas.length - 1;
          page.changed("form", "pick", "marks");
        },
      },
      "Another antenna",
    ),
    antennas.length > 1
      ? h(
          "button",
          {
            "data-key": "fewer-antennas",
            onclick: () => {
              const [gone] = antennas.splice(page.antenna, 1);
              for (const p of Object.values(page.form.photos)) p.picks = p.picks.filter((x) => x.antenna_id !== gone.antenna_id);
              page.antenna = 0;
              page.changed("form", "pick", "marks");
            },
          },
          "Remove this one",
        )
      : null,
  );
}

function antennaPart(page) {
  const a = page.form.antennas[Math.min(page.antenna, page.form.antennas.length - 1)];
  const line = page.antenna + 2;
  const rename = (e) => {
    const name = e.target.value.trim();
    for (const p of Object.values(page.form.photos)) for (const x of p.picks) if (x.antenna_id === a.antenna_id) x.antenna_id = name;
    a.antenna_id = name;
    page.changed("pick", "marks", "answer");
  };
  const grid = [a.design_north, a.reading_north].includes("grid");
  return [
    h("h2", {}, "The antenna"),
    cell(page, a, "antenna_id", "Its name", 14, { inputmode: "text", oninput: rename }, line),
    cell(page, a, "rad_center_m", "Its middle is above ground, m", 7, { required: true, placeholder: "30" }, line),
    cell(page, a, "design_azimuth_deg", "It should point to, °", 7, { required: true, placeholder: "120" }, line),
    north(page, a, "design_north", "counted from"),
    cell(page, a, "tolerance_deg", "Tolerance, ± °", 5, {}, line),
    cell(page, a, "reading_azimuth_deg", "The instrument read, ° (if anybody did)", 7, {}, line),
    north(page, a, "reading_north", "counted from"),
    h(
      "details",
      { open: grid || ["reading_u95_deg", "reading_date", "antenna_height_m", "antenna_width_m"].some((c) => a[c]) },
      h("summary", { "data-key": "more" }, "More, where it is known"),
      cell(page, a, "reading_u95_deg", "The reading is good to ± ° (95 %)", 5, { placeholder: "2" }, line),
      cell(page, a, "reading_date", "It was read on", 11, { inputmode: "text", placeholder: "2026-05-14" }, line),
      cell(page, a, "antenna_height_m", "Its box is high, m", 5, { placeholder: "2.0" }, line),
      cell(page, a, "antenna_width_m", "wide, m", 5, { placeholder: "0.3" }, line),
      cell(page, a, "antenna_depth_m", "deep, m", 5, { placeholder: "0.13" }, line),
      cell(page, a, "grid_crs", "Grid, as an EPSG code (for grid north)", 11, { inputmode: "text", placeholder: "EPSG:32633" }, line),
    ),
  ];
}

function registerPart(page) {
  const { sites } = page.data;
  const site = page.site;
  return [
    h("h2", {}, "Of the register"),
    page.data.faults
      ? h("p", { class: "warn" }, `${page.data.faults} rows of it cannot be used; sites with such rows are missing here or incomplete.`)
      : null,
    h(
      "label",
      { class: "cell" },
      h("span", {}, "Site"),
      h(
        "select",
        {
          "data-key": "site",
          onchange: (e) => {
            page.form.site_id = e.target.value;
            page.antenna = 0;
            page.changed("form", "map", "pick", "marks");
          },
        },
        sites.map((x) =>
          h(
            "option",
            { value: x.site_id, selected: x.site_id === page.form.site_id },
            x.site_id,
            x.away_m == null ? "" : `, ${metres(x.away_m)} away`,
            x.probability ? `, ${percent(x.probability)} by the photos` : "",
          ),
        ),
      ),
    ),
    site
      ? h(
          "table",
          { class: "rows" },
          h("caption", { class: "unseen" }, "Antennas of this site"),
          h("thead", {}, h("tr", {}, ["Antenna", "Height", "Design", "Reading"].map((t) => h("th", { scope: "col" }, t)))),
          h(
            "tbody",
            {},
            site.antennas.map((a, k) =>
              h(
                "tr",
                { class: k === page.antenna ? "current" : "" },
                h(
                  "th",
                  { scope: "row" },
                  h(
                    "button",
                    {
                      class: "name",
                      "data-key": `row-${a.antenna_id}`,
                      "aria-pressed": k === page.antenna ? "true" : "false",
                      onclick: () => {
                        page.antenna = k;
                        page.redraw("form", "pick", "marks", "answer");
                      },
                    },
                    a.antenna_id,
                  ),
                ),
                h("td", {}, `${plain(a.height_m)} m`),
                h("td", {}, `${design(a.design_deg, a.tolerance_deg)}${a.design_north === "true" ? "" : ` ${a.design_north}`}`),
                h("td", {}, a.reading_deg == null ? "none" : `${azimuth(a.reading_deg)}${a.reading_north === "true" ? "" : ` ${a.reading_north}`}`),
              ),
            ),
          ),
        )
      : null,
    h("p", {}, h("button", { "data-key": "no-register", onclick: () => page.dropRegister() }, "Do without this register")),
  ];
}

/** A place as typed, read when the field is left, with what it was read as. */
function placeField(page, of, name, words, hint) {
  const said = h("div", { role: "status" });
  const tell = () => {
    const read = page.places.get((of[name] ?? "").trim());
    show(
      said,
      read?.lat_deg != null ? h("p", { class: "readas" }, `Read as ${placeText(read)}; the map shows it.`) : null,
      read?.problem ? h("p", { class: "trouble" }, `${read.problem}.`) : null,
    );
  };
  tell();
  return [
    h(
      "label",
      { class: "cell" },
      h("span", {}, words),
      h("input", {
        "data-key": `d-${name}`,
        size: 26,
        value: of[name] ?? "",
        placeholder: hint,
        autocomplete: "off",
        oninput: (e) => {
          of[name] = e.target.value.trim();
        },
        onchange: async () => {
          await page.readPlace(of[name]);
          tell();
          page.changed("map", "answer");
        },
      }),
    ),
    said,
    trouble(page, name),
  ];
}

function towerPart(page) {
  const f = page.form;
  const from = page.data.photos.find((p) => p.digest === f.seen_from) ?? page.photo;
  return [
    h("h2", {}, "The tower"),
    placeField(page, f, "tower", "Its coordinates", "49.15546, 14.2"),
    cell(page, f, "tower_u_m", "good to ± m (95 %)", 5, { placeholder: "3" }),
    from.looks_deg == null
      ? h("p", { class: "muted" }, "This photo does not say which way it looks: type the tower's coordinates, or click it on the map.")
      : [
          cell(page, f, "distance_m", "or, without coordinates: it stood away from me, m", 6, { placeholder: "60" }),
          h(
            "p",
            { class: "muted" },
            `in the direction of the antenna in ${from.label}, by its compass about ${azimuth(from.looks_deg)}. Coordinates tell more: then the direction to the tower does not hang on the compass.`,
          ),
        ],
  ];
}

function standpointPart(page) {
  const of = page.of();
  const lacks = !page.photo.position;
  const fields = [
    placeField(page, of, "place", "Where you stood", "49.15546, 14.2"),
    cell(page, of, "u_m", "good to ± m (95 %)", 5, { placeholder: "5" }),
  ];
  return lacks
    ? [
        h("h2", {}, "Where this photo was taken"),
        h(
          "p",
          { class: of.place ? "muted" : "warn" },
          "The photo does not say it. Browsers of phones take it out of photos that are picked from the gallery; type where you stood, or click it on the map.",
        ),
        fields,
      ]
    : h(
        "details",
        { open: Boolean(of.place) },
        h("summary", { "data-key": "stood" }, "The photo says where it was taken; correct it…"),
        fields,
      );
}
