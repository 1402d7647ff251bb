// The site from above: tower, cameras, lines of sight with their uncertainty, sectors, landmarks, the sun.

import { h, s, show } from "./dom.js";
import { azimuth, plain } from "./spelled.js";

const WIDE = 470,
  HIGH = 400,
  MIDDLE = [235, 204],
  REACH = 150,
  HAND = 92;
const A = 6378137.0,
  E2 = 0.00669437999014; // WGS84

/** Metres east and north of the site for a position, and back; exact enough for some kilometres. */
export function frameOf(lat, lon) {
  const phi = (lat * Math.PI) / 180;
  const w = Math.sqrt(1 - E2 * Math.sin(phi) ** 2);
  const north = ((A * (1 - E2)) / w ** 3) * (Math.PI / 180);
  const east = (A / w) * Math.cos(phi) * (Math.PI / 180);
  return {
    metres: (la, lo) => [(lo - lon) * east, (la - lat) * north],
    position: (e, n) => [lat + n / north, lon + e / east],
  };
}

const rad = (deg) => (deg * Math.PI) / 180;
const out = ([x, y], bearing, length) => [x + length * Math.sin(rad(bearing)), y - length * Math.cos(rad(bearing))];
export const bearingOf = ([e, n]) => ((((Math.atan2(e, n) * 180) / Math.PI) % 360) + 360) % 360;
const xy = (p) => `${p[0].toFixed(1)},${p[1].toFixed(1)}`;

function wedge(at, bearing, half, length) {
  const wide = Math.min(Math.max(half, 0.15), 179.9);
  return `M${xy(at)} L${xy(out(at, bearing - wide, length))} A${length} ${length} 0 ${wide > 90 ? 1 : 0} 1 ${xy(out(at, bearing + wide, length))} Z`;
}

function arc(at, bearing, half, length) {
  const wide = Math.min(half, 179.9);
  return `M${xy(out(at, bearing - wide, length))} A${length} ${length} 0 ${wide > 90 ? 1 : 0} 1 ${xy(out(at, bearing + wide, length))}`;
}

export const metres = (m) => (m >= 1000 ? `${(m / 1000).toFixed(1)} km` : `${Math.round(m)} m`);

/**
 * The plan as SVG. site: its view; solution: its document or null; short: names; far: to the scale of the landmarks;
 * picking: called with a position where somebody clicks, or null; marked: a position being given.
 */
export function planOf({ site, solution, short, far, picking, marked, current }) {
  const frame = frameOf(site.lat_deg, site.lon_deg);
  const solved = new Map((solution?.photos || []).map((p) => [p.photo, p]));
  const cameras = site.photos
    .map((p, k) => {
      const d = solved.get(p.photo);
      const at =
        d?.lat_deg != null ? [d.lat_deg, d.lon_deg] : p.position ? [p.position.lat_deg, p.position.lon_deg] : null;
      return at && { number: k + 1, photo: p, solved: d, at: frame.metres(...at) };
    })
    .filter(Boolean);
  const marks = new Map();
  for (const c of site.controls) if (c.kind === "landmark" && c.lat_deg != null) marks.set(c.name || "landmark", c);
  const landmarks = [...marks.entries()].map(([name, c]) => ({
    name,
    control: c,
    at: frame.metres(c.lat_deg, c.lon_deg),
  }));
  const away = (p) => Math.hypot(...p.at);
  const near = cameras.map(away).sort((a, b) => a - b);
  const usual = near.length ? near[Math.floor(near.length / 2)] : 40;
  let reach = Math.max(10, ...near.filter((d) => d <= 3 * usual));
  if (far)
    reach = Math.max(
      reach,
      ...landmarks.map(away),
      marked ? Math.hypot(...frame.metres(...marked)) : 0,
      picking ? 1000 : 0,
    );
  const scale = REACH / reach;
  const place = (at) => {
    const d = Math.hypot(...at) * scale,
      b = bearingOf(at);
    return { point: out(MIDDLE, b, Math.min(d, REACH + 12)), beyond: d > REACH + 12, bearing: b };
  };
  const parts = [];
  parts.push(s("circle", { class: "rim", cx: MIDDLE[0], cy: MIDDLE[1], r: REACH + 12 }));
  for (const b of [0, 90, 180, 270]) {
    const [x, y] = out(MIDDLE, b, REACH + 26);
    parts.push(
      s("text", { class: b ? "mark" : "mark strong", x, y: y + 4, "text-anchor": "middle" }, b ? `${b}°` : "N"),
    );
  }
  // lines of sight, as wide as the heading is sure
  for (const c of cameras) {
    const p = place(c.at).point;
    const d = c.solved;
    const g = s("g", { class: `sight${d?.status === "used" ? "" : " unused"}`, "data-photo": c.photo.photo });
    if (d?.heading_true_deg != null) {
      const long = Math.hypot(p[0] - MIDDLE[0], p[1] - MIDDLE[1]) + 12;
      g.append(s("path", { class: "aim", d: wedge(p, d.heading_true_deg, d.heading_u95_deg ?? 1, long) }));
      g.append(
        s("line", {
          class: "axis",
          x1: p[0],
          y1: p[1],
          x2: out(p, d.heading_true_deg, long)[0],
          y2: out(p, d.heading_true_deg, long)[1],
        }),
      );
    } else g.append(s("line", { class: "axis", x1: p[0], y1: p[1], x2: MIDDLE[0], y2: MIDDLE[1] }));
    parts.push(g);
  }
  // what points where
  const labels = [];
  for (const a of solution?.antennas || []) {
    const g = s("g", { class: "antenna", "data-antenna": a.antenna_id });
    const design = a.design?.azimuth_true_deg,
      reading = a.reading?.azimuth_true_deg,
      found = a.azimuth_true_deg;
    if (design != null) {
      g.append(s("path", { class: "tolerance", d: arc(MIDDLE, design, a.design.tolerance_deg ?? 5, HAND + 14) }));
      g.append(
        s("line", {
          class: "design",
          x1: MIDDLE[0],
          y1: MIDDLE[1],
          x2: out(MIDDLE, design, HAND + 14)[0],
          y2: out(MIDDLE, design, HAND + 14)[1],
        }),
      );
    }
    if (reading != null) {
      const end = out(MIDDLE, reading, HAND - 14);
      g.append(s("line", { class: "reading", x1: MIDDLE[0], y1: MIDDLE[1], x2: end[0], y2: end[1] }));
      g.append(s("circle", { class: "reading end", cx: end[0], cy: end[1], r: 3.6 }));
    }
    if (found != null) {
      g.append(s("path", { class: "fan", d: wedge(MIDDLE, found, a.u95_deg ?? 0, HAND) }));
      const end = out(MIDDLE, found, HAND),
        tip = out(MIDDLE, found, HAND + 8);
      g.append(s("line", { class: "found", x1: MIDDLE[0], y1: MIDDLE[1], x2: end[0], y2: end[1] }));
      g.append(
        s("polygon", {
          class: "found head",
          points: [tip, out(end, found + 90, 4.5), out(end, found - 90, 4.5)].map(xy).join(" "),
        }),
      );
    }
    const said = `${a.antenna_id}: photos ${azimuth(found, a.u95_deg)}, reading ${azimuth(reading)}, design ${azimuth(design)}`;
    g.append(s("title", {}, said));
    parts.push(g);
    const b = found ?? design ?? reading;
    if (b != null) labels.push([b, a.antenna_id]);
  }
  const names = namesOf(
    labels,
    short,
    cameras.map((c) => place(c.at).point),
  );
  parts.push(s("circle", { class: "tower", cx: MIDDLE[0], cy: MIDDLE[1], r: 4 }));
  // the sun of the photo that is open
  const sun = current?.sun;
  if (sun?.azimuth_deg != null && sun.elevation_deg > 0) {
    const [x, y] = out(MIDDLE, sun.azimuth_deg, REACH + 12);
    parts.push(
      s(
        "g",
        { class: "sun" },
        s("circle", { cx: x, cy: y, r: 6 }),
        s(
          "title",
          {},
          `sun at ${azimuth(sun.azimuth_deg)}, ${plain(sun.elevation_deg)}° high, when this photo was taken`,
        ),
        s(
          "text",
          {
            class: "mark",
            x: out(MIDDLE, sun.azimuth_deg, REACH + 30)[0],
            y: out(MIDDLE, sun.azimuth_deg, REACH + 30)[1] + 4,
            "text-anchor": "middle",
          },
          "sun",
        ),
      ),
    );
  }
  for (const m of landmarks) {
    const { point, beyond } = place(m.at);
    const seen = site.controls.filter((c) => c.kind === "landmark" && c.name === m.control.name).map((c) => c.photo);
    const g = s(
      "g",
      { class: "landmark", "data-landmark": m.name, "data-photos": seen.join("\n") },
      s("path", { d: `M${xy([point[0], point[1] - 6])} l6,6 l-6,6 l-6,-6 Z` }),
      s("title", {}, `${m.name}, ${metres(away(m))} from the tower at ${azimuth(bearingOf(m.at))}`),
    );
    const right = point[0] < MIDDLE[0];
    g.append(
      s(
        "text",
        {
          class: "mark halo",
          x: point[0] + (right ? 9 : -9),
          y: point[1] + (point[1] < MIDDLE[1] ? -7 : 14),
          "text-anchor": right ? "start" : "end",
        },
        beyond ? `${m.name}, ${metres(away(m))}` : m.name,
      ),
    );
    parts.push(g);
  }
  for (const c of cameras) {
    const { point } = place(c.at);
    const g = s(
      "g",
      {
        class: `camera${c.solved?.status === "used" ? "" : " unused"}${c.photo === current ? " current" : ""}`,
        "data-photo": c.photo.photo,
        "data-number": c.number,
      },
      s("rect", { class: "grip", x: point[0] - 12, y: point[1] - 12, width: 24, height: 24 }),
      s("rect", { x: point[0] - 8, y: point[1] - 7.5, width: 16, height: 15, rx: 2 }),
      s("text", { x: point[0], y: point[1] + 4, "text-anchor": "middle" }, c.number),
      s("title", {}, `${c.number}: ${c.photo.label}, ${metres(away(c))} away`),
    );
    parts.push(g);
  }
  parts.push(...names);
  if (marked) {
    const { point } = place(frame.metres(...marked));
    parts.push(
      s("path", { class: "given", d: `M${xy([point[0] - 8, point[1]])} h16 M${xy([point[0], point[1] - 8])} v16` }),
    );
  }
  const unit = nice(110 / scale);
  parts.push(s("path", { class: "scalebar", d: `M10,${HIGH - 14} v6 h${(unit * scale).toFixed(1)} v-6` }));
  parts.push(s("text", { class: "mark", x: 12, y: HIGH - 18 }, metres(unit)));
  const svg = s(
    "svg",
    {
      class: `plan${picking ? " picking" : ""}`,
      viewBox: `0 0 ${WIDE} ${HIGH}`,
      role: "img",
      "aria-label": spoken(solution, cameras, landmarks, away),
    },
    parts,
  );
  if (picking) {
    svg.addEventListener("click", (e) => {
      const m = svg.getScreenCTM().inverse();
      const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(m);
      picking(frame.position((p.x - MIDDLE[0]) / scale, -(p.y - MIDDLE[1]) / scale));
    });
  }
  return svg;
}

/** Names at the ends of the hands, those that point alike side by side, where no camera covers them. */
function namesOf(labels, short, cameras) {
  labels.sort((p, q) => p[0] - q[0]);
  const groups = [];
  for (const one of labels) {
    const last = groups.at(-1);
    if (last && one[0] - last.at(-1)[0] < 14) last.push(one);
    else groups.push([one]);
  }
  const taken = cameras.map(([x, y]) => [x, y, 12, 10]);
  return groups.map((group) => {
    const b = group[Math.floor((group.length - 1) / 2)][0];
    const texts = group.map(([, id]) => short.get(id));
    const half = 4 * texts.join(", ").length + 3;
    let at = null;
    for (const by of [28, 44, 60, 76, -46, 28]) {
      const side = Math.sin(rad(b));
      const [x, y] = out(MIDDLE, b, HAND + by);
      at = [x + side * half * 0.6, y];
      if (!taken.some(([u, v, w, hh]) => Math.abs(at[0] - u) < half + w && Math.abs(at[1] - v) < hh + 8)) break;
    }
    taken.push([at[0], at[1], half, 8]);
    return s(
      "text",
      { class: "name", x: at[0], y: at[1] + 4, "text-anchor": "middle" },
      group.map(([, id], k) => [k ? ", " : "", s("tspan", { "data-antenna": id }, short.get(id))]),
    );
  });
}

export function nice(most) {
  const power = 10 ** Math.floor(Math.log10(most));
  return Math.max(...[1, 2, 5, 10].map((k) => k * power).filter((v) => v <= most * 1.000001));
}

function spoken(solution, cameras, landmarks, away) {
  const said = (solution?.antennas || []).map(
    (a) =>
      `${a.antenna_id}: photos ${azimuth(a.azimuth_true_deg)}, reading ${azimuth(a.reading?.azimuth_true_deg)}, design ${azimuth(a.design?.azimuth_true_deg)}`,
  );
  said.push(
    ...cameras.map((c) => `photo ${c.number} from ${metres(away(c))}`),
    ...landmarks.map((l) => `${l.name}, ${metres(away(l))}`),
  );
  return `Plan from above, true north on top. ${said.join("; ")}`;
}

export function drawPlan(page) {
  const given = page.draft?.kind === "landmark" ? page.draft.values : null;
  const draft = given?.lat_deg != null ? [given.lat_deg, given.lon_deg] : null;
  const has = page.data.controls.some((c) => c.kind === "landmark");
  show(
    page.planBox,
    h(
      "div",
      { class: "planhead" },
      h("h2", {}, "From above"),
      has || draft || page.picking
        ? h(
            "button",
            {
              "data-key": "far",
              "aria-pressed": page.far ? "true" : "false",
              onclick: () => {
                page.far = !page.far;
                page.redraw("plan");
              },
            },
            "Landmarks to scale",
          )
        : null,
    ),
    page.picking ? h("p", { class: "hint" }, "Click where the landmark stands; the scale is at the lower left.") : null,
    planOf({
      site: page.data,
      solution: page.result,
      short: page.short,
      far: page.far,
      picking: page.picking,
      marked: draft,
      current: page.photo,
    }),
    planKey(),
  );
}

export const planKey = () =>
  h(
    "p",
    { class: "key" },
    h("span", { class: "k photos" }, "photos ± U95"),
    h("span", { class: "k reading" }, "reading"),
    h("span", { class: "k design" }, "design ± tolerance"),
    h("span", { class: "k sight" }, "where cameras looked"),
  );
