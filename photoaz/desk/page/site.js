// One site: its photos with what is marked in them, its figures, and what is decided. Which is open and selected stands
// here; each part of the page is drawn by a module of its own.

import { get, post, who } from "./api.js";
import { drawDecision } from "./decision.js";
import { h, s, shortNames, show } from "./dom.js";
import { boxesOf, drawMarks, headOf } from "./drawn.js";
import { drawHistory, drawReasons, drawTable } from "./figures.js";
import { drawBar, drawNotes } from "./head.js";
import { magnify, showLoupe } from "./loupe.js";
import { Marks } from "./marks.js";
import { drawPanel } from "./panel.js";
import { drawAbout, drawStrip, drawTools, refuseMatch, showProblem, tileFailed } from "./photos.js";
import { drawPlan } from "./plan.js";
import { act, follow } from "./solving.js";
import { dropDraft, moveMark, placePoint } from "./tools.js";
import { Viewer } from "./viewer.js";

/** The parts of the page by name, in the order in which they are drawn. */
const PARTS = {
  bar: drawBar,
  notes: drawNotes,
  strip: drawStrip,
  tools: drawTools,
  marks: drawMarks,
  panel: drawPanel,
  about: drawAbout,
  table: drawTable,
  decision: drawDecision,
  plan: drawPlan,
  reasons: drawReasons,
  history: drawHistory,
};

/**
 * data: the site as the desk tells it, with people's marks and decisions; result: its newest result, null before the first.
 * index: of the photo that is open. antenna: the one chosen. tool: what a click in the photo does (TOOLS). draft: what a
 * tool has placed and nobody has set yet. held: edges stay as drawn. far: the plan reaches to the landmarks. before:
 * antennas as they were before the last solution, where that changed their U95. hot: what is pointed at.
 */
export class SitePage {
  constructor(place, go, audit) {
    Object.assign(this, {
      place,
      go,
      audit,
      index: 0,
      antenna: null,
      tool: "look",
      draft: null,
      held: false,
      far: false,
    });
    Object.assign(this, { before: new Map(), hot: {}, note: "" });
    this.keys = (e) => this.shortcut(e);
    document.addEventListener("keydown", this.keys);
  }

  close() {
    document.removeEventListener("keydown", this.keys);
    this.closed = true;
  }

  async open(siteId, wanted) {
    this.siteId = siteId;
    this.wanted = wanted;
    show(this.place, h("p", { class: "waiting" }, "Opening ", siteId, "…"));
    this.data = await get("/api/site", {
      site: siteId,
      q: wanted.q,
      state: wanted.state,
      show: wanted.show,
      order: wanted.order,
    });
    if (this.closed) return;
    this.result = this.data.document;
    this.short = shortNames(this.data.antennas);
    this.antenna = this.firstToDecide() ?? this.data.antennas[0] ?? null;
    this.index = Math.max(this.bestPhoto(this.antenna), 0);
    this.frame();
    this.openPhoto(this.index, true);
    if (this.data.ticket) follow(this, this.data.ticket, true);
    if (who()) post("/api/act", { site: siteId }, { who: who(), kind: "looked" }).catch(() => {});
  }

  // What there is: of a photo (the open one) or an antenna by its name

  get photo() {
    return this.data.photos[this.index];
  }

  solved(photo = this.photo) {
    return this.result?.photos.find((p) => p.photo === photo?.photo) ?? null;
  }

  found(id) {
    return this.result?.antennas.find((a) => a.antenna_id === id) ?? null;
  }

  decision(id) {
    return this.data.decisions.find((d) => d.antenna_id === id) ?? null;
  }

  view(id, photo = this.photo) {
    return this.found(id)?.evidence.find((e) => e.photo === photo?.photo) ?? null;
  }

  pick(id, photo = this.photo) {
    return this.data.picks.find((p) => !p.absent && p.antenna_id === id && p.photo === photo?.photo) ?? null;
  }

  leftOut(photo = this.photo) {
    return this.data.excluded[photo?.photo] ?? null;
  }

  /** Whether a photo has a part in the result: it can be read, is no copy and is not left out. */
  counts(photo) {
    return Boolean(photo.size) && !photo.copy_of && !this.leftOut(photo);
  }

  /** What a control is known by in its photo. */
  slot(c) {
    return `control:${c.kind}:${["landmark", "bearing", "shadow"].includes(c.kind) ? c.name : ""}`;
  }

  /** Landmarks marked in other photos and not in this one, each once: to be marked here without typing them again. */
  landmarksElsewhere() {
    const all = this.data.controls.filter((c) => c.kind === "landmark");
    const here = new Set(all.filter((c) => c.photo === this.photo.photo).map((c) => c.name));
    return [...new Map(all.filter((c) => !here.has(c.name)).map((c) => [c.name, c])).values()];
  }

  /** The antenna that a decision is most worth for. */
  firstToDecide() {
    const ranked = (this.result?.revisit?.antennas || []).map((a) => a.antenna_id);
    const flagged = (this.result?.antennas || []).filter((a) => a.revisit).map((a) => a.antenna_id);
    const order = [...ranked.filter((id) => flagged.includes(id)), ...flagged.filter((id) => !ranked.includes(id))];
    return order.find((id) => !this.decision(id)) ?? order[0] ?? null;
  }

  /** Number of the photo that shows an antenna best, else of the first that can be shown. */
  bestPhoto(id) {
    const views = [...(this.found(id)?.evidence || [])].filter((e) => e.view !== "rear");
    views.sort((a, b) => b.width_px * b.quality - a.width_px * a.quality);
    const name = (views[0] ?? this.found(id)?.evidence[0])?.photo;
    const k = this.data.photos.findIndex((p) => p.photo === name);
    return k >= 0 ? k : this.data.photos.findIndex((p) => p.size);
  }

  /** How an antenna stands: a word for styles, and in words. */
  status(a) {
    return a ? [a.standing.state, a.standing.word] : ["unseen", "not measured"];
  }

  /** The parts of the page, still empty. */
  frame() {
    this.barBox = h("header", { class: "bar" });
    this.notesBox = h("div", { class: "notes" });
    this.stripBox = h("nav", { class: "strip", "aria-label": "Photos of this site" });
    this.toolsBox = h("div", { class: "tools", role: "toolbar", "aria-label": "Tools" });
    const svg = s("svg", { class: "over", "aria-label": "Marks" });
    this.glass = h("canvas", { class: "glass", width: 208, height: 208, hidden: true, "aria-hidden": "true" });
    this.busy = h("p", { class: "busy", hidden: true });
    this.message = h("div", { class: "message", hidden: true });
    this.photoBox = h(
      "div",
      { class: "viewer", tabindex: 0, role: "application", "aria-roledescription": "photo", "data-key": "viewer" },
      svg,
      this.glass,
      this.busy,
      this.message,
    );
    this.panelBox = h("section", { class: "panel", "aria-label": "What is selected" });
    this.aboutBox = h("section", { class: "about", "aria-label": "This photo" });
    this.tableBox = h("section", { class: "figures", "aria-label": "Antennas" });
    this.decisionBox = h("section", { class: "decide", "aria-label": "Decision" });
    this.planBox = h("section", { class: "planbox", "aria-label": "Plan" });
    this.reasonsBox = h("section", { class: "more", "aria-label": "Why" });
    this.historyBox = h("section", { class: "past", "aria-label": "History" });
    show(
      this.place,
      this.barBox,
      this.notesBox,
      h(
        "div",
        { class: "desk" },
        h("div", { class: "left" }, this.stripBox, this.toolsBox, this.photoBox, this.panelBox, this.aboutBox),
        h("div", { class: "right" }, this.tableBox, this.decisionBox, this.planBox, this.reasonsBox, this.historyBox),
      ),
    );
    this.viewer = new Viewer(this.photoBox, {
      drawn: () => {
        this.marks.draw();
        if (this.glass.dataset.on) magnify(this);
      },
      failed: (url) => tileFailed(this, url),
    });
    this.marks = new Marks(this.viewer, svg, {
      select: (id, near) => this.select(id, near),
      changed: (id, points) => moveMark(this, id, points),
      placed: (point) => placePoint(this, point),
      loupe: (point, points) => showLoupe(this, point, points),
      pressed: (e) => this.pressed(e),
    });
    for (const place of [this.tableBox, this.planBox, this.photoBox, this.stripBox]) {
      const light = (e) => {
        const of = e.target.closest?.("[data-antenna],[data-photo],[data-landmark]");
        this.light(
          of && e.type !== "pointerout" && e.type !== "focusout"
            ? { antenna: of.dataset.antenna, photo: of.dataset.photo, landmark: of.dataset.landmark }
            : {},
        );
      };
      for (const kind of ["pointerover", "pointerout", "focusin", "focusout"]) place.addEventListener(kind, light);
    }
    this.planBox.addEventListener("click", (e) => {
      const camera = e.target.closest?.(".camera[data-photo]"),
        antenna = e.target.closest?.("[data-antenna]");
      if (this.picking) return;
      if (camera) this.openPhoto(this.data.photos.findIndex((p) => p.photo === camera.dataset.photo));
      else if (antenna) this.choose(antenna.dataset.antenna);
    });
    this.redraw();
  }

  /** Show anew what is named, or everything. */
  redraw(...names) {
    for (const name of names.length ? names : Object.keys(PARTS)) PARTS[name](this);
  }

  /** What is pointed at lights up in photo, plan and table. */
  light(hot) {
    if (hot.antenna === this.hot.antenna && hot.photo === this.hot.photo && hot.landmark === this.hot.landmark) return;
    this.hot = hot;
    const photos = new Set(
      hot.photo ? [hot.photo] : hot.antenna ? (this.found(hot.antenna)?.evidence || []).map((e) => e.photo) : [],
    );
    for (const el of this.place.querySelectorAll("[data-antenna]"))
      el.classList.toggle("hot", Boolean(hot.antenna) && el.dataset.antenna === hot.antenna);
    for (const el of this.place.querySelectorAll("[data-landmark]"))
      el.classList.toggle("hot", Boolean(hot.landmark) && el.dataset.landmark === hot.landmark);
    for (const el of this.place.querySelectorAll(".sight[data-photo], .camera[data-photo], .thumb[data-photo]"))
      el.classList.toggle("hot", photos.has(el.dataset.photo));
    this.marks.hot = hot.antenna; // drawn anew it stays lit; now only classes change, as the keyboard may be on its way
  }

  label(name) {
    return this.data.photos.find((p) => p.photo === name)?.label ?? name;
  }

  openPhoto(k, first = false) {
    if (k < 0 || k >= this.data.photos.length) return;
    this.marks.flush();
    this.index = k;
    this.draft = null;
    this.tool = this.marks.tool = "look";
    const photo = this.photo;
    this.message.hidden = true;
    this.photoBox.setAttribute(
      "aria-label",
      `Photo ${k + 1}, ${photo.label}. Arrow keys move it, plus and minus bring it nearer, Tab goes to the marks.`,
    );
    if (photo.size) this.viewer.open(photo, headOf(this));
    else {
      this.viewer.open(null);
      showProblem(this, h("p", {}, `${photo.label} cannot be shown: ${photo.reason ?? "it could not be read"}.`));
    }
    const id = this.antenna && this.view(this.antenna) ? `box:${this.antenna}` : null;
    this.marks.selected = id;
    if (first) this.nearTo(id);
    this.redraw();
  }

  /** Select a mark of the open photo by its id, or none. */
  select(id, near = false) {
    if (this.draft && id !== "draft") return;
    this.marks.flush();
    this.marks.selected = id;
    if (id?.startsWith("box:")) {
      this.antenna = id.slice(4);
      this.held = this.pick(this.antenna)?.exact ?? false;
      this.nearTo(id, near);
    }
    this.redraw("marks", "panel", "table", "decision", "reasons");
  }

  /** Come so near that corners can be told apart. */
  nearTo(id, always = false) {
    const mark = boxesOf(this).find((b) => b.id === id) ?? this.marks.marks.find((m) => m.id === id);
    if (!mark) return;
    const at = mark.points.map((p) => this.viewer.toScreen(p));
    const [xs, ys] = [at.map((p) => p[0]), at.map((p) => p[1])];
    const { width, height } = this.viewer.box;
    const small = Math.max(...ys) - Math.min(...ys) < 110;
    const outside = Math.min(...xs) < 0 || Math.max(...xs) > width || Math.min(...ys) < 0 || Math.max(...ys) > height;
    if (!(small || outside || always)) return;
    const px = mark.points.map((p) => p[0]),
      py = mark.points.map((p) => p[1]);
    const tall = Math.max(Math.max(...py) - Math.min(...py), Math.max(...px) - Math.min(...px), 24);
    const [cx, cy] = [(Math.max(...px) + Math.min(...px)) / 2, (Math.max(...py) + Math.min(...py)) / 2];
    this.viewer.frame([cx - tall, cy - tall, cx + tall, cy + tall], 1);
  }

  /** Choose an antenna, and open a photo that shows it where this one does not. */
  choose(id) {
    this.antenna = id;
    this.note = "";
    if (!this.view(id)) {
      const k = this.bestPhoto(id);
      if (this.found(id)?.evidence.length && k >= 0 && k !== this.index) {
        this.openPhoto(k);
        this.nearTo(`box:${id}`);
        return;
      }
    }
    this.select(this.view(id) || this.pick(id) ? `box:${id}` : null);
    this.redraw("table", "panel", "decision", "reasons");
  }

  shortcut(e) {
    if (e.target.closest?.("input, select, textarea, dialog")) return;
    if ((e.ctrlKey || e.metaKey) && !e.altKey && (e.key.toLowerCase() === "z" || e.key.toLowerCase() === "y")) {
      const redo = e.key.toLowerCase() === "y" || e.shiftKey;
      if (redo ? this.data?.redo : this.data?.undo) act(this, redo ? "redo" : "undo");
      e.preventDefault();
    }
    if (e.key === "Escape" && (this.draft || this.tool !== "look")) dropDraft(this);
  }

  pressed(e) {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const keys = {
      "+": () => this.viewer.zoomBy(1.5),
      "=": () => this.viewer.zoomBy(1.5),
      "-": () => this.viewer.zoomBy(1 / 1.5),
      0: () => this.viewer.whole(),
      h: () => headOf(this) && this.viewer.frame(headOf(this), 1),
      z: () => this.marks.selected && this.nearTo(this.marks.selected, true),
      "[": () => this.openPhoto(this.index - 1),
      "]": () => this.openPhoto(this.index + 1),
      m: () => refuseMatch(this),
    };
    if (keys[e.key]) {
      e.preventDefault();
      keys[e.key]();
    }
  }
}
