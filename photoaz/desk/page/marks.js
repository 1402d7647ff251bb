// What is drawn over a photo, and how it is moved: by mouse, finger or keyboard.

import { s, show } from "./dom.js";

const CORNERS = ["upper left corner", "upper right corner", "lower right corner", "lower left corner"];
const EDGES = ["top edge", "right edge", "bottom edge", "left edge"];
const STEP_PX = 0.5,
  LEAP_PX = 5,
  SETTLE_MS = 900;

const middle = (points) => [
  points.reduce((t, p) => t + p[0], 0) / points.length,
  points.reduce((t, p) => t + p[1], 0) / points.length,
];
const add = (p, d) => [p[0] + d[0], p[1] + d[1]];

/** The points of a mark after a grip is moved: 0 to 3 corners, 4 to 7 edges, 8 the whole. */
export function moved(points, grip, by) {
  if (points.length !== 4) return points.map((p, k) => (grip === 8 || grip === k ? add(p, by) : p));
  if (grip < 4) return points.map((p, k) => (k === grip ? add(p, by) : p));
  if (grip < 8) return points.map((p, k) => (k === grip - 4 || k === (grip - 3) % 4 ? add(p, by) : p));
  return points.map((p) => add(p, by));
}

export class Marks {
  /**
   * viewer: see there. on: select(id), changed(id, points) when a mark was moved and let go, placed(point) where a tool
   * is used, loupe(point or null, points) while something is moved, pressed(event) for other keys.
   */
  constructor(viewer, svg, on) {
    this.viewer = viewer;
    this.svg = svg;
    this.on = on;
    this.marks = [];
    this.lines = []; // {kind, points}: drawn below the marks, and never moved
    this.selected = null;
    this.tool = "look";
    this.hot = null;
    this.drag = null;
    this.working = null; // {id, points}: moved, not yet let go
    const { place } = viewer;
    place.addEventListener("pointerdown", (e) => this.down(e));
    place.addEventListener("pointermove", (e) => this.moveTo(e));
    place.addEventListener("pointerup", (e) => this.up(e));
    place.addEventListener("pointercancel", (e) => this.up(e, true));
    place.addEventListener("keydown", (e) => this.key(e));
  }

  set(marks) {
    this.marks = marks;
    this.draw();
  }

  points(mark) {
    return this.working?.id === mark.id ? this.working.points : mark.points;
  }

  draw() {
    const out = this.lines.map(({ kind, points }) => {
      const d = `M${points.map((p) => this.viewer.toScreen(p).map((v) => v.toFixed(1))).join("L")}`;
      return s("g", { class: `laid ${kind}` }, s("path", { class: "under", d }), s("path", { class: "line", d }));
    });
    this.labels = [];
    const order = [...this.marks].sort((a, b) => (a.id === this.selected) - (b.id === this.selected));
    for (const mark of order) out.push(this.drawn(mark));
    if (this.tool !== "look") {
      const { width, height } = this.viewer.box;
      out.push(
        s("path", {
          class: "cross",
          d: `M${width / 2 - 14},${height / 2}h10m8,0h10M${width / 2},${height / 2 - 14}v10m0,8v10`,
        }),
      );
    }
    show(this.svg, out);
  }

  drawn(mark) {
    const points = this.points(mark);
    const at = points.map((p) => this.viewer.toScreen(p));
    const chosen = mark.id === this.selected;
    const g = s("g", {
      class: `mark ${mark.kind}${mark.class ? ` ${mark.class}` : ""}${chosen ? " chosen" : ""}${mark.antenna && mark.antenna === this.hot ? " hot" : ""}`,
      "data-mark": mark.id,
      "data-antenna": mark.antenna,
      "data-key": mark.id,
      tabindex: 0,
      role: "button",
      "aria-label": mark.said,
      "aria-pressed": chosen ? "true" : "false",
    });
    if (mark.kind === "box" || mark.kind === "panel") this.box(g, mark, at, chosen);
    else this.sign(g, mark, at);
    if (chosen && mark.movable) this.grips(g, mark, points, at);
    return g;
  }

  box(g, mark, at, chosen) {
    const list = at.map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" ");
    g.append(s("polygon", { class: "area", points: list }));
    g.append(s("polygon", { class: "under", points: list }), s("polygon", { class: "line", points: list }));
    const tall = Math.max(...at.map((p) => p[1])) - Math.min(...at.map((p) => p[1]));
    const small = tall <= 30 && !chosen;
    const [x] = middle(at);
    const [top, foot] = [
      Math.min(...at.map((p) => p[1])) - (chosen ? 16 : 7),
      Math.max(...at.map((p) => p[1])) + (chosen ? 26 : 17),
    ];
    const covered = (v) =>
      this.labels.some(([u, w]) => Math.abs(u - x) < 8 + 7 * mark.label.length && Math.abs(w - v) < 15);
    const y = covered(top) && !covered(foot) ? foot : top;
    if (!small) this.labels.push([x, y]);
    g.append(s("text", { class: small ? "label small" : "label", x, y, "text-anchor": "middle" }, mark.label));
  }

  sign(g, mark, at) {
    const [x, y] = at[0];
    if (at.length === 2) {
      const d = `M${x},${y}L${at[1][0]},${at[1][1]}`;
      g.append(s("path", { class: "area", d }), s("path", { class: "under", d }), s("path", { class: "line", d }));
      if (mark.kind === "shadow") g.append(s("circle", { class: "line", cx: at[1][0], cy: at[1][1], r: 4 }));
    } else if (mark.kind === "absent") {
      const d = `M${x - 7},${y - 7}l14,14m0,-14l-14,14`;
      g.append(
        s("circle", { class: "area", cx: x, cy: y, r: 13 }),
        s("path", { class: "under", d }),
        s("path", { class: "line", d }),
      );
    } else {
      const d = `M${x - 15},${y}h10m10,0h10M${x},${y - 15}v10m0,10v10`;
      g.append(s("circle", { class: "area", cx: x, cy: y, r: 16 }));
      g.append(
        s("path", { class: "under", d }),
        s("path", { class: "line", d }),
        s("circle", { class: "ring", cx: x, cy: y, r: 5 }),
      );
    }
    g.append(s("text", { class: "label", x: x + 13, y: y - 9 }, mark.label));
  }

  grips(g, mark, points, at) {
    const many = points.length;
    const grips =
      many === 4
        ? [
            ...at.map((p, k) => [p, k, CORNERS[k], "corner"]),
            ...at.map((p, k) => [middle([p, at[(k + 1) % 4]]), 4 + k, EDGES[k], "edge"]),
            [middle(at), 8, "the whole box", "whole"],
          ]
        : many === 2
          ? [
              [at[0], 0, mark.ends[0], "corner"],
              [at[1], 1, mark.ends[1], "corner"],
              [middle(at), 8, "the whole line", "whole"],
            ]
          : [[at[0], 8, mark.label || "the point", "whole"]];
    for (const [[x, y], k, name, kind] of grips) {
      const [px, py] = k === 8 ? middle(points) : k < 4 ? points[k] : middle([points[k - 4], points[(k - 3) % 4]]);
      g.append(
        s(
          "g",
          {
            class: `grip ${kind}`,
            "data-grip": k,
            "data-key": `${mark.id}:${k}`,
            tabindex: 0,
            role: "button",
            "aria-label": `${name}, at ${px.toFixed(1)}, ${py.toFixed(1)}: arrow keys move it by half a pixel`,
          },
          s("circle", { class: "reach", cx: x, cy: y, r: 13 }),
          kind === "edge"
            ? s("rect", { x: x - 4, y: y - 4, width: 8, height: 8 })
            : kind === "whole"
              ? s("path", { d: `M${x - 8},${y}h16M${x},${y - 8}v16` })
              : s("circle", { cx: x, cy: y, r: 5.5 }),
        ),
      );
    }
  }

  // ------------------------------------------------------------------------------------------------------------------

  down(e) {
    if (e.button > 0 || !this.viewer.photo) return;
    const grip = e.target.closest?.("[data-grip]");
    const mark = e.target.closest?.("[data-mark]");
    this.press = { x: e.clientX, y: e.clientY, far: false, mark: mark?.dataset.mark };
    if (grip && this.viewer.pointers.size === 0) {
      const id = mark.dataset.mark;
      const one = this.marks.find((m) => m.id === id);
      this.flush(id);
      this.drag = { id, grip: Number(grip.dataset.grip), from: this.viewer.at(e), points: this.points(one) };
      this.viewer.place.setPointerCapture(e.pointerId);
      grip.focus({ preventScroll: true });
      e.preventDefault();
    } else {
      this.viewer.press(e);
      this.viewer.place.focus({ preventScroll: true });
      e.preventDefault();
    }
  }

  moveTo(e) {
    if (this.press && Math.hypot(e.clientX - this.press.x, e.clientY - this.press.y) > 4) this.press.far = true;
    if (this.drag) {
      const to = this.viewer.at(e);
      const by = [to[0] - this.drag.from[0], to[1] - this.drag.from[1]];
      if (!this.press?.far) return;
      this.working = { id: this.drag.id, points: moved(this.drag.points, this.drag.grip, by) };
      this.showLoupe(this.drag.grip);
      this.draw();
    } else if (this.viewer.pointers.size) {
      this.viewer.move(e);
    }
  }

  up(e, cancelled = false) {
    const press = this.press;
    if (this.drag) {
      const { id } = this.drag;
      this.drag = null;
      this.on.loupe(null);
      if (cancelled || !press?.far) this.working = null;
      else this.commit(id);
      this.draw();
      return;
    }
    if (!this.viewer.lift(e) || cancelled || !press || press.far) return;
    if (this.tool !== "look") this.on.placed(this.viewer.at(e));
    else this.on.select(press.mark ?? null);
  }

  showLoupe(grip) {
    const { points } = this.working;
    const at =
      grip === 8 ? middle(points) : grip < 4 ? points[grip] : middle([points[grip - 4], points[(grip - 3) % 4]]);
    this.on.loupe(at, points);
  }

  commit(id) {
    clearTimeout(this.timer);
    const working = this.working;
    if (!working || working.id !== id) return;
    this.on.loupe(null);
    this.on.changed(id, working.points);
  }

  /** What was moved by keys and waits to be let go. */
  flush(other = null) {
    if (this.working && this.working.id !== other && !this.drag) this.commit(this.working.id);
  }

  /** The mark is where the working points said; from now on it is drawn as given. */
  settled() {
    if (!this.drag) this.working = null;
  }

  key(e) {
    const grip = e.target.closest?.("[data-grip]");
    const mark = e.target.closest?.("[data-mark]");
    const arrow = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    if (grip && arrow) {
      e.preventDefault();
      const id = mark.dataset.mark;
      const one = this.marks.find((m) => m.id === id);
      const step = e.shiftKey ? LEAP_PX : STEP_PX;
      const k = Number(grip.dataset.grip);
      this.working = {
        id,
        points: moved(
          this.points(one),
          k,
          arrow.map((v) => v * step),
        ),
      };
      this.showLoupe(k);
      this.draw();
      clearTimeout(this.timer);
      this.timer = setTimeout(() => this.commit(id), SETTLE_MS);
      return;
    }
    if (grip && e.key === "Enter") {
      e.preventDefault();
      this.commit(mark.dataset.mark);
      return;
    }
    if (e.key === "Escape" && this.working) {
      e.preventDefault();
      clearTimeout(this.timer);
      this.working = null;
      this.drag = null;
      this.on.loupe(null);
      this.draw();
      return;
    }
    if (mark && !grip && (e.key === "Enter" || e.key === " ")) {
      e.preventDefault();
      this.on.select(mark.dataset.mark, true);
      return;
    }
    if (arrow && !e.ctrlKey && !e.metaKey && !e.altKey) {
      e.preventDefault();
      this.viewer.pan(-arrow[0] * (e.shiftKey ? 240 : 60), -arrow[1] * (e.shiftKey ? 240 : 60));
      return;
    }
    if (e.key === "Enter" && this.tool !== "look" && e.target === this.viewer.place) {
      e.preventDefault();
      const { width, height } = this.viewer.box;
      this.on.placed(this.viewer.toPhoto(width / 2, height / 2));
      return;
    }
    this.on.pressed(e);
  }
}
