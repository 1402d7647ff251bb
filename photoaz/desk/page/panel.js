// Beneath the photo: what is selected there, or the form of the tool in use.

import { h, show, typedNumber } from "./dom.js";
import { NOUN, boxesOf } from "./drawn.js";
import { landmarkForm } from "./landmark.js";
import { act } from "./solving.js";
import { azimuth, plain, share, signed, uncertainty } from "./spelled.js";
import { TOOLS, draftBox, dropDraft, pickBody, setBox, setControl, setPlumb } from "./tools.js";

export function drawPanel(page) {
  const id = page.marks.selected;
  if (!page.photo?.size) return show(page.panelBox, h("p", { class: "muted" }, "Nothing can be marked in this photo."));
  if (page.draft || page.tool !== "look") return show(page.panelBox, draftPanel(page));
  if (id?.startsWith("box:")) return show(page.panelBox, boxPanel(page, id.slice(4)));
  const mark = page.marks.marks.find((m) => m.id === id);
  if (mark?.kind === "panel") return show(page.panelBox, namelessPanel(page, mark));
  if (mark?.kind === "absent")
    return show(
      page.panelBox,
      h("h2", {}, "No antenna here"),
      h("p", {}, "Said at this desk. Name it as an antenna by “Add antenna”, or undo."),
    );
  if (mark?.control) return show(page.panelBox, controlPanel(page, mark.control, mark.kind));
  const a = page.antenna && page.found(page.antenna);
  const missing = a?.missing.find((m) => m.photo === page.photo.photo);
  return show(
    page.panelBox,
    a && !page.view(page.antenna)
      ? h(
          "p",
          {},
          h("strong", {}, page.short.get(page.antenna)),
          missing ? ` is not marked in this photo: ${missing.reason}. ` : " is not marked in this photo. ",
          page.leftOut()
            ? null
            : h(
                "button",
                { "data-key": "mark-here", onclick: () => draftBox(page, page.antenna) },
                `Mark ${page.short.get(page.antenna)} here`,
              ),
        )
      : null,
    h("p", { class: "muted" }, TOOLS.look[1]),
  );
}

/** Sides that a person can say are seen. */
const SIDES = { "": "not said", front: "the front", rear: "behind", profile: "the side" };

function boxPanel(page, id) {
  const pick = page.pick(id),
    view = page.view(id);
  const how = !pick
    ? "found by photoaz"
    : pick.exact
      ? "marked by hand, held as drawn"
      : pick.here
        ? "marked by hand, edges refined"
        : "from the table of picks";
  const seen = view
    ? {
        face: "seen from the front",
        oblique: "seen obliquely",
        profile: "seen from the side",
        rear: "seen from behind",
      }[view.view]
    : "";
  return [
    h(
      "h2",
      {},
      id,
      " ",
      h(
        "span",
        { class: "muted" },
        [
          how,
          seen,
          view
            ? `${plain(view.width_px, 0)} px wide, ${share(view.quality)} of its outline found its edge`
            : "",
        ]
          .filter(Boolean)
          .join("; "),
      ),
    ),
    h(
      "div",
      { class: "row" },
      h(
        "label",
        { class: "check", title: "Otherwise the edges move to the nearest edges in the photo when you let go" },
        h("input", {
          type: "checkbox",
          "data-key": "hold",
          checked: page.held,
          onchange: (e) => {
            page.held = e.target.checked;
            const points = page.marks.working?.points ?? boxesOf(page).find((b) => b.antenna === id)?.points;
            if (pick && points) act(page, "pick", pickBody(page, id, { corners_px: points }), page.photo.photo);
          },
        }),
        " Hold as drawn",
      ),
      h(
        "label",
        { title: "Which side of the antenna this photo shows, where you can tell" },
        "Seen from ",
        h(
          "select",
          {
            "data-key": "seen",
            onchange: (e) => {
              const points = boxesOf(page).find((b) => b.antenna === id)?.points;
              act(page, "pick", pickBody(page, id, { corners_px: points, view: e.target.value }), page.photo.photo);
            },
          },
          Object.entries(SIDES).map(([side, words]) =>
            h("option", { value: side, selected: (pick?.view ?? "") === side }, words),
          ),
        ),
      ),
      naming(page, id),
      h(
        "button",
        {
          "data-key": "not",
          onclick: () =>
            act(
              page,
              "not_antenna",
              { antenna_id: id, seed_px: centre(view?.corners_px ?? pick.corners_px) },
              page.photo.photo,
            ),
        },
        "Not an antenna",
      ),
      pick
        ? h(
            "button",
            { "data-key": "unmark", onclick: () => act(page, "no_pick", { antenna_id: id }, page.photo.photo) },
            "Remove the mark",
          )
        : null,
      h("button", { "data-key": "near", onclick: () => page.nearTo(`box:${id}`, true) }, "Zoom to it"),
    ),
  ];
}

function naming(page, was) {
  const others = page.data.antennas.filter((n) => n !== was);
  return h(
    "label",
    {},
    was ? "It is " : "This is ",
    h(
      "select",
      {
        "data-key": "naming",
        onchange: (e) => {
          const name = e.target.value;
          if (!name) return;
          const mark = page.marks.marks.find((m) => m.id === page.marks.selected);
          page.antenna = name;
          act(
            page,
            "other_antenna",
            { antenna_id: name, was: was ?? null, corners_px: mark.points, exact: false },
            page.photo.photo,
          ).then((done) => done && page.select(`box:${name}`));
        },
      },
      h("option", { value: "" }, was ? "another antenna…" : "which antenna?"),
      others.map((n) => h("option", { value: n }, n)),
    ),
  );
}

function namelessPanel(page, mark) {
  return [
    h("h2", {}, "A panel without a name ", h("span", { class: "muted" }, mark.panel.reasons.join("; "))),
    h(
      "div",
      { class: "row" },
      naming(page, null),
      h(
        "button",
        {
          "data-key": "not",
          onclick: () => act(page, "not_antenna", { antenna_id: "", seed_px: centre(mark.points) }, page.photo.photo),
        },
        "Not an antenna",
      ),
    ),
  ];
}

function controlPanel(page, c, kind) {
  const said =
    {
      landmark: `at ${plain(c.lat_deg, 6)}, ${plain(c.lon_deg, 6)}${c.height_m != null ? `, ${plain(c.height_m)} m high` : ""}, good to ${plain(c.u95)} m`,
      bearing: `true azimuth ${azimuth(c.azimuth_true_deg, c.u95)}`,
      roll: `the camera is rolled by ${signed(c.value_deg)} ± ${uncertainty(c.u95)}`,
    }[c.kind] ?? `± ${uncertainty(c.u95)}`;
  return [
    h(
      "h2",
      {},
      kind === "plumb" ? "Plumb line" : NOUN[c.kind],
      " ",
      c.name,
      " ",
      h("span", { class: "muted" }, said, c.here ? "" : "; from the table of controls"),
    ),
    h(
      "div",
      { class: "row" },
      c.kind === "landmark"
        ? h(
            "button",
            {
              "data-key": "edit",
              onclick: () => {
                page.tool = "landmark";
                const place = c.lat_deg == null ? "" : `${plain(c.lat_deg, 6)}, ${plain(c.lon_deg, 6)}`;
                const values = { ...c, place };
                page.draft = { kind: "landmark", points: [c.pixel], label: c.name, done: true, values };
                page.marks.selected = "draft";
                page.redraw("tools", "marks", "panel");
              },
            },
            "Change its position",
          )
        : null,
      h(
        "button",
        {
          "data-key": "remove",
          onclick: () => {
            page.marks.selected = null;
            act(page, "no_control", { kind: c.kind, name: c.name }, c.photo);
          },
        },
        "Remove it",
      ),
    ),
  ];
}

function draftPanel(page) {
  const tool = page.tool,
    d = page.draft;
  const cancel = h("button", { "data-key": "cancel", onclick: () => dropDraft(page) }, "Cancel");
  if (tool === "add" && !d?.points) {
    const rest = page.data.antennas.filter((id) => !page.view(id) && !page.pick(id));
    return [
      h("h2", {}, "Add an antenna"),
      rest.length
        ? h("p", {}, "Which one do you see here? Its box is put where it is expected; then drag it right.")
        : h("p", {}, "All antennas of the site are marked in this photo."),
      h(
        "div",
        { class: "row" },
        rest.map((id) =>
          h("button", { "data-key": `add-${id}`, onclick: () => draftBox(page, id) }, page.short.get(id)),
        ),
        cancel,
      ),
    ];
  }
  if (tool === "add") {
    return [
      h("h2", {}, `${d.antenna}, not set yet`),
      h(
        "p",
        {},
        "Drag corners and edges to the front face of the antenna, then set it. Edges then move to the nearest edges in the photo.",
      ),
      h(
        "div",
        { class: "row" },
        h("button", { class: "main", "data-key": "set", "data-first": "", onclick: () => setBox(page) }, "Set"),
        h(
          "label",
          { class: "check" },
          h("input", {
            type: "checkbox",
            "data-key": "hold",
            checked: page.held,
            onchange: (e) => {
              page.held = e.target.checked;
            },
          }),
          " Hold as drawn",
        ),
        cancel,
      ),
    ];
  }
  if (!d?.done)
    return [
      h("h2", {}, TOOLS[tool][0]),
      h(
        "p",
        {},
        d?.first ? "Now the other end." : TOOLS[tool][1],
        " With the keyboard: move the photo under the cross with the arrow keys, then Enter.",
      ),
      h(
        "div",
        { class: "row" },
        cancel,
        tool === "sun"
          ? h(
              "button",
              { "data-key": "seek", onclick: () => setControl(page, { kind: "sun" }) },
              "Look for it without a click",
            )
          : null,
      ),
    ];
  if (tool === "landmark") return landmarkForm(page, cancel);
  if (tool === "plumb") {
    return [
      h("h2", {}, "Plumb line"),
      h(
        "p",
        {},
        d.problem ??
          (d.roll
            ? `With this line plumb the camera is rolled by ${signed(d.roll.roll_deg)} ± ${uncertainty(d.roll.u95_deg)}.`
            : "Working it out…"),
      ),
      h(
        "div",
        { class: "row" },
        h(
          "button",
          {
            class: "main",
            "data-key": "set",
            "data-first": "",
            disabled: !d.roll,
            onclick: () => setPlumb(page, d.points),
          },
          "Set",
        ),
        cancel,
      ),
    ];
  }
  const sun = page.photo.sun;
  const trouble =
    (tool === "sun" || tool === "shadow") && sun?.azimuth_deg == null
      ? `The sun’s place is not known: ${sun?.reason}.`
      : null;
  const form = h(
    "form",
    {
      class: "row",
      onsubmit: (e) => {
        e.preventDefault();
        const v = Object.fromEntries(new FormData(e.target));
        const body = {
          kind: tool,
          name: (v.name || "").trim(),
          pixel: d.points[0],
          tip_px: d.points[1] ?? null,
          u95: typedNumber(v.u95),
          azimuth_true_deg: typedNumber(v.azimuth),
        };
        setControl(page, body);
      },
    },
    tool === "sun"
      ? null
      : h(
          "label",
          {},
          "Name ",
          h("input", { name: "name", "data-key": "f-name", "data-first": "", value: freeName(page, tool), size: 14 }),
        ),
    tool === "bearing"
      ? h(
          "label",
          {},
          "True azimuth ",
          h("input", { name: "azimuth", "data-key": "f-azimuth", required: true, inputmode: "decimal", size: 7 }),
          "°",
        )
      : null,
    h(
      "label",
      {},
      "Good to ± ",
      h("input", {
        name: "u95",
        "data-key": "f-u95",
        inputmode: "decimal",
        size: 5,
        placeholder: { sun: "0.3", bearing: "1", shadow: "2" }[tool],
      }),
      "°",
    ),
    h(
      "button",
      {
        class: "main",
        type: "submit",
        "data-key": "set",
        "data-first": tool === "sun" ? "" : null,
        disabled: Boolean(trouble),
      },
      "Set",
    ),
    cancel,
  );
  return [h("h2", {}, TOOLS[tool][0]), trouble ? h("p", { class: "trouble" }, trouble) : null, form];
}

function freeName(page, kind) {
  const taken = new Set(page.data.controls.filter((c) => c.kind === kind).map((c) => c.name));
  let k = 1;
  while (taken.has(`${kind} ${k}`)) k += 1;
  return `${kind} ${k}`;
}

const centre = (points) => [
  points.reduce((t, p) => t + p[0], 0) / points.length,
  points.reduce((t, p) => t + p[1], 0) / points.length,
];
