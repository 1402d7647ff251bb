// What is drawn over the photo that is open: boxes of antennas, panels without a name, controls, the draft.

export const NOUN = {
  landmark: "Landmark",
  sun: "Sun",
  bearing: "Bearing",
  shadow: "Shadow",
  roll: "Plumb line",
  heading: "Heading",
  pitch: "Pitch",
  standpoint: "Standpoint",
  silhouette: "Map’s skyline",
};

/** Lines of a map that a photo was laid over, as its result holds them: name there, class here. */
const LAID = [
  ["lacking_px", "lacking"],
  ["unmatched_px", "unlike"],
  ["matched_px", "like"],
  ["corners_px", "corner"],
];

const linesOf = (around) =>
  around ? LAID.flatMap(([name, kind]) => (around[name] || []).map((points) => ({ kind, points }))) : [];

/** The control by which a photo's match with the map is refused, where there is one. */
export const refusal = (page) =>
  page.data.controls.find(
    (c) => c.kind === "silhouette" && c.photo === page.photo?.photo && c.azimuth_true_deg == null,
  );

export function boxesOf(page) {
  if (!page.photo || (!page.result && !page.data.picks.length)) return [];
  const out = [];
  for (const id of page.data.antennas) {
    const view = page.view(id),
      pick = page.pick(id);
    const points = page.solving && pick?.corners_px ? pick.corners_px : (view?.corners_px ?? pick?.corners_px);
    if (!points) continue;
    const how = pick ? (pick.exact ? "held" : "marked") : "found";
    const [word] = page.status(page.found(id));
    out.push({
      id: `box:${id}`,
      kind: "box",
      class: `${how} s-${word}`,
      antenna: id,
      points,
      movable: true,
      label: `${page.short.get(id)}${how === "found" ? "" : how === "held" ? " held" : " marked"}`,
      said: `${id}, ${how}${view ? `, seen ${view.view === "face" ? "from the front" : view.view}` : ""}`,
    });
  }
  return out;
}

export function drawMarks(page) {
  const marks = boxesOf(page);
  (page.solved()?.panels || []).forEach((p, k) => {
    if (p.antenna_id === null && !absentAt(page, p))
      marks.push({
        id: `panel:${k}`,
        kind: "panel",
        points: p.corners_px.slice(0, 4),
        label: "?",
        said: "a panel that nobody could name",
        panel: p,
      });
  });
  for (const p of page.data.picks) {
    if (p.absent && p.seed_px && p.photo === page.photo?.photo)
      marks.push({
        id: `absent:${p.seed_px}`,
        kind: "absent",
        points: [p.seed_px],
        label: "no antenna",
        said: "said to be no antenna",
      });
    else if (!p.absent && !p.corners_px && p.photo === page.photo?.photo && !page.view(p.antenna_id))
      marks.push({
        id: `seed:${p.antenna_id}`,
        kind: "seed",
        points: [p.seed_px],
        label: page.short.get(p.antenna_id),
        said: `${p.antenna_id}, marked by a point`,
      });
  }
  for (const c of page.data.controls) {
    if (c.photo !== page.photo?.photo || !c.pixel) continue;
    const points = c.tip_px ? [c.pixel, c.tip_px] : [c.pixel];
    marks.push({
      id: page.slot(c),
      kind: c.kind,
      points,
      movable: true,
      control: c,
      label: c.name || NOUN[c.kind].toLowerCase(),
      ends: ["foot", "tip"],
      said: `${NOUN[c.kind]} ${c.name}`,
    });
  }
  for (const l of page.data.lines)
    if (l.photo === page.photo?.photo)
      marks.push({
        id: "control:roll:",
        kind: "plumb",
        points: l.line_px,
        movable: true,
        control: page.data.controls.find((c) => c.kind === "roll" && c.photo === l.photo),
        label: "plumb line",
        ends: ["one end", "other end"],
        said: "Plumb line",
      });
  if (page.draft?.points)
    marks.push({
      ...page.draft,
      id: "draft",
      movable: true,
      class: "draft",
      ends: page.draft.kind === "shadow" ? ["foot", "tip"] : ["one end", "other end"],
      said: `${page.draft.label}, not set yet`,
    });
  page.marks.tool = page.tool === "add" || page.draft?.done ? "look" : page.tool;
  page.photoBox.classList.toggle("aiming", page.marks.tool !== "look");
  page.marks.lines = linesOf(page.solved()?.surroundings);
  page.marks.set(marks);
}

function absentAt(page, panel) {
  const xs = panel.corners_px.map((p) => p[0]),
    ys = panel.corners_px.map((p) => p[1]);
  return page.data.picks.some(
    (p) =>
      p.absent &&
      p.photo === page.photo.photo &&
      p.seed_px[0] >= Math.min(...xs) &&
      p.seed_px[0] <= Math.max(...xs) &&
      p.seed_px[1] >= Math.min(...ys) &&
      p.seed_px[1] <= Math.max(...ys),
  );
}

export function headOf(page) {
  const window = page.solved()?.window_px;
  if (window) return window;
  const points = boxesOf(page).flatMap((b) => b.points);
  if (!points.length) return null;
  const xs = points.map((p) => p[0]),
    ys = points.map((p) => p[1]);
  const room = 0.3 * Math.max(Math.max(...xs) - Math.min(...xs), Math.max(...ys) - Math.min(...ys));
  return [Math.min(...xs) - room, Math.min(...ys) - room, Math.max(...xs) + room, Math.max(...ys) + room];
}
