// The photos that were dropped: thumbs, panels in the open one, which of them is meant, and what the photo knows.

import { h, show } from "./dom.js";
import { percent, plain } from "./spelled.js";

export function drawThumbs(page) {
  const refused = page.refused || [];
  show(
    page.thumbsBox,
    refused.length ? h("ul", { class: "trouble", role: "alert" }, refused.map((t) => h("li", {}, t))) : null,
    page.data.photos.length > 1
      ? page.data.photos.map((p, k) =>
          h(
            "button",
            {
              class: `thumb${k === page.index ? " current" : ""}${page.of(p).left_out ? " off" : ""}`,
              "data-key": `thumb-${k}`,
              "aria-current": k === page.index ? "true" : null,
              title: p.label,
              onclick: () => page.openPhoto(k),
            },
            h("span", { class: "pic" }, h("img", { src: `/tile/${p.digest}/${p.size.levels - 1}/0/0.jpg`, alt: "" })),
            h("span", { class: "cap" }, h("b", {}, k + 1), " ", page.of(p).picks.length ? "marked" : p.label),
          ),
        )
      : null,
  );
  if (!page.data.photos.length && refused.length) page.statusBox.textContent = refused.join(" ");
}

/** The outline of a panel's front, and its name where it has one. */
export function marksOf(page) {
  if (!page.photo) return [];
  const picks = page.of().picks;
  const out = [];
  for (const [k, panel] of (page.panels.get(page.photo.digest) || []).entries()) {
    const pick = picks.find((p) => p.panel === k);
    out.push({
      id: `panel:${k}`,
      kind: pick ? "box" : "panel",
      class: pick ? "marked" : "",
      points: panel.corners_px.slice(0, 4),
      label: pick ? pick.antenna_id : `${k + 1}`,
      said: `panel ${k + 1}, ${panel.view} seen, ${percent(panel.probability)} sure${pick ? `: ${pick.antenna_id}` : ""}`,
    });
  }
  for (const pick of picks)
    if (pick.corners_px)
      out.push({
        id: `box:${pick.antenna_id}`,
        kind: "box",
        class: "marked",
        points: pick.corners_px,
        movable: pick.antenna_id === page.name,
        label: pick.antenna_id,
        said: `${pick.antenna_id}, drawn by hand`,
      });
  page.marks.tool = page.tool === "look" ? "look" : "draw";
  page.photoBox.classList.toggle("aiming", page.tool !== "look");
  return out;
}

export function drawPick(page) {
  const panels = page.panels.get(page.photo.digest);
  const pick = page.pick();
  const name = page.names.length > 1 ? page.name : "the antenna";
  let said;
  if (page.tool === "draw") said = `Click the middle of ${name} in the photo.`;
  else if (pick?.corners_px) said = `Drag the corners to the front of ${name}.`;
  else if (pick) said = `${page.name} is the framed one.`;
  else if (!panels) said = "Looking for panels…";
  else if (panels.length) said = `Which one is ${name}? Click it.`;
  else said = `No panel was found here. Draw ${name} by hand, or come nearer with another photo.`;
  show(
    page.pickBox,
    h("h2", { class: pick ? "" : "ask" }, said),
    h(
      "div",
      { class: "row" },
      (panels || []).map((p, k) =>
        h(
          "button",
          {
            "data-key": `this-${k}`,
            "aria-pressed": pick?.panel === k ? "true" : "false",
            title: `${p.view} seen, ${plain(p.width_px, 0)} px wide, ${percent(p.probability)} sure`,
            onclick: () => page.thisOne(k),
          },
          `This one: ${k + 1}`,
        ),
      ),
      h(
        "button",
        {
          "data-key": "draw",
          "aria-pressed": page.tool === "draw" ? "true" : "false",
          onclick: () => {
            page.tool = page.tool === "draw" ? "look" : "draw";
            page.redraw("marks", "pick");
          },
        },
        "Draw it by hand",
      ),
      pick ? h("button", { "data-key": "unpick", onclick: () => page.setPick(null) }, "None of them") : null,
      h("button", { "data-key": "whole", onclick: () => page.viewer.whole() }, "Whole photo"),
      panels?.length ? h("button", { "data-key": "near", onclick: () => page.nearPanels() }, "Nearer") : null,
    ),
  );
}

export function drawFacts(page) {
  const p = page.photo;
  show(
    page.factsBox,
    h("h2", {}, p.label, p.camera ? h("span", { class: "muted" }, ` – ${p.camera}`) : null),
    h(
      "table",
      { class: "knows" },
      h("caption", { class: "unseen" }, "What this photo knows"),
      h(
        "tbody",
        {},
        p.knows.map(([name, words]) =>
          h(
            "tr",
            {},
            h("th", { scope: "row" }, name),
            h("td", { class: words === "not known" ? "warn" : "" }, words === "not known" ? "✕ not known" : words),
          ),
        ),
      ),
    ),
    h("p", {}, p.verdict),
    p.findings.length
      ? h(
          "details",
          {},
          h("summary", { "data-key": "findings" }, `What it lacks, and what that costs (${p.findings.length})`),
          h("ul", {}, p.findings.map((f) => h("li", {}, f))),
        )
      : null,
    h(
      "div",
      { class: "row" },
      h(
        "label",
        { class: "check" },
        h("input", {
          type: "checkbox",
          "data-key": "use",
          checked: !page.of().left_out,
          onchange: (e) => {
            page.of().left_out = !e.target.checked;
            page.changed("thumbs", "answer");
          },
        }),
        " Use this photo",
      ),
      h("button", { "data-key": "remove", onclick: () => page.remove(p) }, "Remove it"),
    ),
  );
}
