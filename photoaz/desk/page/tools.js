// What is done in a photo: a tool places a draft, the draft is set or dropped, marks are moved. page: the SitePage.

import { post, wrong } from "./api.js";
import { boxesOf } from "./drawn.js";
import { act } from "./solving.js";

/** What each tool is called, and what to do with it. */
export const TOOLS = {
  look: [
    "Look",
    "Drag the photo to move it, wheel or two fingers to come nearer. Click a box to select it; then drag its corners, edges or the whole.",
  ],
  add: ["Add antenna", ""],
  landmark: [
    "Landmark",
    "Click the landmark in the photo: a point whose position is known, 300 m away or farther if it can be had.",
  ],
  sun: ["Sun", "Click the middle of the sun’s disc."],
  plumb: [
    "Plumb line",
    "Click two points, far from each other, of an edge that hangs plumb: the mast’s axis, a mount pipe, a house corner.",
  ],
  shadow: ["Shadow", "Click the foot of something plumb where it meets level ground, then the tip of its shadow."],
  bearing: ["Bearing", "Click something whose true azimuth from the camera is known."],
};

/** What of a control is sent again when it is moved or marked in another photo. */
export const bodyOf = ({ kind, name, lat_deg, lon_deg, height_m, azimuth_true_deg, value_deg, u95 }) => ({
  kind,
  name,
  lat_deg,
  lon_deg,
  height_m,
  azimuth_true_deg,
  value_deg,
  u95,
});

/** An antenna's mark as it is in this photo, with what is changed of it. */
export const pickBody = (page, id, changed) => ({
  antenna_id: id,
  exact: page.held,
  view: page.pick(id)?.view ?? null,
  ...changed,
});

/** From now on a click in the photo does this. */
export function useTool(page, tool) {
  page.marks.flush();
  page.tool = tool;
  page.draft = tool === "add" ? { choosing: true } : null;
  page.picking = null;
  page.marks.selected = null;
  page.redraw("tools", "marks", "panel", "plan");
  if (tool !== "look" && tool !== "add") page.photoBox.focus({ preventScroll: true });
}

/** Somebody clicked a point of the photo with a tool. */
export function placePoint(page, point) {
  const p = point.map((v) => Math.round(v * 100) / 100);
  if (page.tool === "plumb" || page.tool === "shadow") {
    if (!page.draft) page.draft = { kind: page.tool, first: p, label: TOOLS[page.tool][0].toLowerCase() };
    else {
      page.draft = { ...page.draft, points: [page.draft.first, p], done: true };
      page.marks.selected = "draft";
      if (page.tool === "plumb") askRoll(page);
    }
  } else {
    page.draft = {
      kind: page.tool,
      points: [p],
      label: TOOLS[page.tool][0].toLowerCase(),
      done: true,
      values: page.draft?.values ?? {},
    };
    page.marks.selected = "draft";
  }
  page.redraw("marks", "panel", "plan");
  page.panelBox.querySelector("[data-first]")?.focus({ preventScroll: false });
}

/** A box for an antenna where it is expected, else in the middle of what is seen. */
export function draftBox(page, id) {
  const missing = page.found(id)?.missing.find((m) => m.photo === page.photo.photo);
  const { width, height } = page.viewer.box;
  const middle = missing?.pixel ?? page.viewer.toPhoto(width / 2, height / 2);
  let [w, tall] = missing?.size_px ?? [0, 0];
  if (!(w > 2 && tall > 4)) {
    const seen = boxesOf(page).map((b) => [
      Math.abs(b.points[1][0] - b.points[0][0]),
      Math.abs(b.points[3][1] - b.points[0][1]),
    ]);
    [w, tall] = seen.length ? seen[0] : [(0.12 * height) / page.viewer.zoom, (0.5 * height) / page.viewer.zoom];
    w = Math.max(w, 8);
  }
  const [x, y] = middle;
  page.draft = {
    kind: "box",
    antenna: id,
    label: page.short.get(id),
    done: true,
    points: [
      [x - w / 2, y - tall / 2],
      [x + w / 2, y - tall / 2],
      [x + w / 2, y + tall / 2],
      [x - w / 2, y + tall / 2],
    ].map((p) => p.map((v) => Math.round(v * 10) / 10)),
  };
  page.tool = "add";
  page.marks.selected = "draft";
  page.redraw("tools", "marks");
  page.nearTo("draft");
  page.redraw("panel");
}

/** Give up what is placed, and the tool. */
export function dropDraft(page) {
  page.draft = null;
  page.picking = null;
  page.tool = "look";
  page.marks.selected = null;
  page.redraw("tools", "marks", "panel", "plan");
}

/** A mark was moved and let go. */
export function moveMark(page, id, points) {
  const photo = page.photo.photo;
  if (id === "draft") {
    page.draft = { ...page.draft, points };
    page.marks.settled();
    if (page.draft.kind === "plumb") askRoll(page);
    page.redraw("marks", "panel");
  } else if (id.startsWith("box:")) {
    act(page, "pick", pickBody(page, id.slice(4), { corners_px: points }), photo);
  } else if (id === "control:roll:") {
    setPlumb(page, points);
  } else if (id.startsWith("control:")) {
    const c = page.data.controls.find((x) => x.photo === photo && page.slot(x) === id);
    act(page, "control", { ...bodyOf(c), pixel: points[0], tip_px: points[1] ?? null }, photo);
  }
}

/** The next click in the plan says where the landmark stands; asked again, it does not. */
export function pickOnPlan(page) {
  page.picking = page.picking
    ? null
    : ([lat, lon]) => {
        const place = `${lat.toFixed(6)}, ${lon.toFixed(6)}`;
        Object.assign(page.draft.values, { place, read: place, lat_deg: lat, lon_deg: lon, problem: null });
        page.picking = null;
        page.redraw("panel", "plan");
        page.panelBox.querySelector('[data-key="set"]')?.focus();
      };
  if (page.picking) page.far = true;
  page.redraw("panel", "plan");
  if (page.picking) page.planBox.scrollIntoView({ block: "nearest" });
}

export async function setBox(page) {
  const { antenna, points } = page.draft;
  if (await act(page, "pick", { antenna_id: antenna, corners_px: points, exact: page.held }, page.photo.photo)) {
    dropDraft(page);
    page.antenna = antenna;
    page.select(`box:${antenna}`);
  }
}

export async function setControl(page, body) {
  if (await act(page, "control", body, page.photo.photo)) {
    dropDraft(page);
    page.marks.selected = page.slot({ name: "", ...body });
    page.redraw("marks", "panel");
  }
}

/** What roll of the camera the drafted line tells, before it is set. */
async function askRoll(page) {
  const draft = page.draft;
  try {
    const roll = await post("/api/plumb", { site: page.siteId }, { photo: page.photo.photo, line_px: draft.points });
    if (page.draft?.points === draft.points) Object.assign(page.draft, { roll, problem: null });
  } catch (error) {
    if (page.draft?.points === draft.points) Object.assign(page.draft, { roll: null, problem: error.message });
  }
  page.redraw("panel");
}

export async function setPlumb(page, points) {
  try {
    const roll = await post("/api/plumb", { site: page.siteId }, { photo: page.photo.photo, line_px: points });
    if (page.draft) dropDraft(page);
    await act(
      page,
      "control",
      { kind: "roll", name: "plumb line", value_deg: roll.roll_deg, u95: roll.u95_deg, line_px: points },
      page.photo.photo,
    );
  } catch (error) {
    wrong(error);
    page.marks.settled();
    page.marks.draw();
  }
}
