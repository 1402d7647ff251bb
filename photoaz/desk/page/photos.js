// The photos of a site to choose from, the tools above the one that is open, and what is known of it.

import { h, show } from "./dom.js";
import { headOf, refusal } from "./drawn.js";
import { act } from "./solving.js";
import { azimuth, moment, percent } from "./spelled.js";
import { TOOLS, useTool } from "./tools.js";

export function drawStrip(page) {
  show(
    page.stripBox,
    page.data.photos.map((p, k) => {
      const d = page.solved(p);
      const seen = (page.result?.antennas || []).filter((a) => a.evidence.some((e) => e.photo === p.photo)).length;
      const state = page.leftOut(p)
        ? "left out"
        : p.copy_of
          ? "a copy"
          : !p.size
            ? "not readable"
            : d?.status === "rejected"
              ? "not used"
              : !d
                ? ""
                : `${seen} seen`;
      return h(
        "button",
        {
          class: `thumb${k === page.index ? " current" : ""}${!page.counts(p) || d?.status === "rejected" ? " off" : ""}`,
          "data-photo": p.photo,
          "data-key": `thumb-${k}`,
          "aria-current": k === page.index ? "true" : null,
          title: p.photo,
          onclick: () => page.openPhoto(k),
        },
        h(
          "span",
          { class: "pic" },
          p.size ? h("img", { src: `/tile/${p.digest}/${p.size.levels - 1}/0/0.jpg`, alt: "", loading: "lazy" }) : null,
        ),
        h(
          "span",
          { class: "cap" },
          h("b", {}, k + 1),
          " ",
          state,
          d?.flags.length ? h("span", { class: "bang", title: d.flags.join("; ") }, " !") : null,
        ),
      );
    }),
  );
  page.stripBox.querySelector(".current")?.scrollIntoView({ block: "nearest", inline: "nearest" });
}

export function drawTools(page) {
  const usable = Boolean(page.photo?.size) && !page.leftOut();
  show(
    page.toolsBox,
    h(
      "span",
      { class: "group", role: "group", "aria-label": "What a click does" },
      Object.entries(TOOLS).map(([tool, [words]]) =>
        h(
          "button",
          {
            "data-key": `tool-${tool}`,
            "aria-pressed": page.tool === tool ? "true" : "false",
            disabled: tool !== "look" && !usable,
            onclick: () => useTool(page, tool),
          },
          words,
        ),
      ),
    ),
    h(
      "span",
      { class: "group", role: "group", "aria-label": "Zoom" },
      h(
        "button",
        {
          "data-key": "out",
          "aria-label": "Farther",
          title: "Farther (−)",
          onclick: () => page.viewer.zoomBy(1 / 1.5),
        },
        "−",
      ),
      h(
        "button",
        { "data-key": "in", "aria-label": "Nearer", title: "Nearer (+)", onclick: () => page.viewer.zoomBy(1.5) },
        "+",
      ),
      h("button", { "data-key": "whole", title: "Whole photo (0)", onclick: () => page.viewer.whole() }, "Whole"),
      h(
        "button",
        {
          "data-key": "head",
          title: "Head of the tower (h)",
          disabled: !headOf(page),
          onclick: () => page.viewer.frame(headOf(page), 1),
        },
        "Head",
      ),
    ),
  );
}

const LAID_STATES = {
  matched: "Its heading is told by the map",
  unsure: "The map does not tell its heading surely enough",
  sky_alone: "It shows only sky and the tower: the map tells nothing",
};

/** Say that what the map told of this photo is wrong, or take that back. */
export function refuseMatch(page) {
  const refused = refusal(page);
  if (refused) act(page, "no_control", { kind: "silhouette", name: refused.name }, page.photo.photo);
  else if (page.solved()?.surroundings?.heading_true_deg != null)
    act(page, "control", { kind: "silhouette", name: "" }, page.photo.photo);
}

function laidOver(page, around) {
  const refused = refusal(page);
  if (!around && !refused) return null;
  const told = around?.heading_true_deg != null;
  const said = refused
    ? "What the map told of this photo was refused. "
    : `${LAID_STATES[around.state]}${told ? `: ${azimuth(around.heading_true_deg, around.u95_deg)} (probability ${percent(around.probability)})` : ""}. `;
  return h(
    "p",
    { class: "laidover" },
    said,
    told || refused
      ? h(
          "button",
          { "data-key": "refuse", title: "The map’s match (m)", onclick: () => refuseMatch(page) },
          refused ? "Take the map’s word again" : "That is wrong",
        )
      : null,
  );
}

export function drawAbout(page) {
  const p = page.photo,
    d = page.solved();
  if (!p) return;
  const said = [];
  if (p.taken) said.push(p.taken);
  if (p.camera) said.push(p.camera);
  if (d?.heading_true_deg != null)
    said.push(
      `looks to ${azimuth(d.heading_true_deg, d.heading_u95_deg)}${p.compass_deg != null ? ` (its compass said ${azimuth(p.compass_deg)})` : ""}`,
    );
  else if (p.compass_deg != null) said.push(`compass ${azimuth(p.compass_deg)}`);
  const left = page.leftOut(p);
  const warnings = [...(d?.flags || []), ...p.flags];
  show(
    page.aboutBox,
    h("p", {}, h("strong", {}, `${page.index + 1} `, p.label), said.length ? ` – ${said.join("; ")}` : ""),
    p.folder ? h("p", { class: "muted folder" }, "in ", p.folder) : null,
    laidOver(page, d?.surroundings),
    warnings.map((f) => h("p", { class: "warn" }, f)),
    p.copy_of
      ? h("p", { class: "warn" }, `Not used: it is a copy of ${page.label(p.copy_of)}, or of the same moment.`)
      : null,
    d?.status === "rejected" && !left ? h("p", { class: "warn" }, `Not used: ${d.reason}.`) : null,
    left
      ? h(
          "p",
          { class: "warn" },
          `Left out by ${left.who} on ${moment(left.at)}${left.note ? `: ${left.note}` : ""} `,
          h(
            "button",
            { "data-key": "include", onclick: () => act(page, "include_photo", {}, p.photo) },
            "Take it in again",
          ),
        )
      : page.counts(p)
        ? h(
            "details",
            { class: "leave" },
            h("summary", { "data-key": "leave" }, "Leave this photo out…"),
            h(
              "form",
              {
                class: "row",
                onsubmit: (e) => {
                  e.preventDefault();
                  act(page, "exclude_photo", { note: new FormData(e.target).get("note").trim() }, p.photo);
                },
              },
              h(
                "label",
                {},
                "Why? ",
                h("input", { name: "note", "data-key": "leave-note", required: true, size: 30, maxlength: 500 }),
              ),
              h("button", { class: "main", type: "submit", "data-key": "leave-set" }, "Leave it out"),
            ),
          )
        : null,
    p.findings?.length
      ? h(
          "details",
          {},
          h("summary", { "data-key": "findings" }, `What its metadata lack (${p.findings.length})`),
          h(
            "ul",
            {},
            p.findings.map((f) => h("li", {}, f)),
          ),
        )
      : null,
  );
}

export async function tileFailed(page, url) {
  let why = "the file is not where it was, or the desk is gone";
  try {
    const response = await fetch(url);
    if (!response.ok) why = (await response.json()).error;
    else return page.viewer.draw();
  } catch {
    /* as said */
  }
  showProblem(
    page,
    h("p", {}, `This photo cannot be shown: ${why}.`),
    h(
      "p",
      {},
      h(
        "button",
        {
          onclick: () => {
            page.message.hidden = true;
            page.viewer.failing = false;
            page.viewer.draw();
          },
        },
        "Try again",
      ),
    ),
  );
}

export function showProblem(page, ...what) {
  show(page.message, what);
  page.message.hidden = false;
}
