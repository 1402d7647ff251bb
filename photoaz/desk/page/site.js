// One site: its photos with what is marked in them, its figures, and what is decided.

import { get, post, setWho, who, wrong } from "./api.js";
import { azimuth, capital, h, moment, plain, s, say, shortNames, show, signed } from "./dom.js";
import { badge } from "./list.js";
import { Marks } from "./marks.js";
import { planOf } from "./plan.js";
import { Viewer } from "./viewer.js";

const TOOLS = {
  look: ["Look", "Drag the photo to move it, wheel or two fingers to come nearer. Click a box to select it; then drag its corners, edges or the whole."],
  add: ["Add antenna", ""],
  landmark: ["Landmark", "Click the landmark in the photo: a point whose position is known, 300 m away or farther if it can be had."],
  sun: ["Sun", "Click the middle of the sun’s disc."],
  plumb: ["Plumb line", "Click two points, far from each other, of an edge that hangs plumb: the mast’s axis, a mount pipe, a house corner."],
  shadow: ["Shadow", "Click the foot of something plumb where it meets level ground, then the tip of its shadow."],
  bearing: ["Bearing", "Click something whose true azimuth from the camera is known."],
};
const NOUN = { landmark: "Landmark", sun: "Sun", bearing: "Bearing", shadow: "Shadow", roll: "Plumb line", heading: "Heading", pitch: "Pitch", standpoint: "Standpoint" };
const KEYS = [
  ["Tab", "to the photo, then to each mark in it, then to the grips of the one selected"],
  ["Enter", "selects a mark; sets what a tool has placed"],
  ["Arrow keys", "move a grip by half a pixel (with Shift by five), or the photo"],
  ["+ and −", "nearer and farther (while the photo has the keyboard)"],
  ["0, h, z", "whole photo, head of the tower, what is selected"],
  ["[ and ]", "the photo before and after"],
  ["Esc", "gives up what is being moved or placed"],
  ["Ctrl+Z, Ctrl+Shift+Z", "undo, redo"],
];

export class SitePage {
  constructor(place, go, audit) {
    Object.assign(this, { place, go, audit, k: 0, antenna: null, tool: "look", draft: null, held: false, far: false, before: new Map(), hot: {}, note: "" });
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
    this.data = await get("/api/site", { site: siteId, q: wanted.q, state: wanted.state, show: wanted.show, order: wanted.order });
    if (this.closed) return;
    this.doc = this.data.document;
    this.short = shortNames(this.data.antennas);
    this.antenna = this.firstToDecide() ?? this.data.antennas[0] ?? null;
    this.k = Math.max(this.bestPhoto(this.antenna), 0);
    this.frame();
    this.openPhoto(this.k, true);
    if (this.data.ticket) this.follow(this.data.ticket, true);
    if (who()) post("/api/act", { site: siteId }, { who: who(), kind: "looked" }).catch(() => {});
  }

  // ------------------------------------------------------------------------------------------------------------------
  // What is there

  get photo() { return this.data.photos[this.k]; }
  solved(photo = this.photo) { return this.doc?.photos.find((p) => p.photo === photo?.photo) ?? null; }
  found(id) { return this.doc?.antennas.find((a) => a.antenna_id === id) ?? null; }
  decision(id) { return this.data.decisions.find((d) => d.antenna_id === id) ?? null; }
  view(id, photo = this.photo) { return this.found(id)?.evidence.find((e) => e.photo === photo?.photo) ?? null; }
  pick(id, photo = this.photo) { return this.data.picks.find((p) => !p.absent && p.antenna_id === id && p.photo === photo?.photo) ?? null; }
  leftOut(photo = this.photo) { return this.data.excluded[photo?.photo] ?? null; }
  counts(photo) { return Boolean(photo.size) && !photo.copy_of && !this.leftOut(photo); }
  slot(c) { return `control:${c.kind}:${["landmark", "bearing", "shadow"].includes(c.kind) ? c.name : ""}`; }

  /** Landmarks marked in other photos and not in this one, each once: to be marked here without typing them again. */
  landmarksElsewhere() {
    const all = this.data.controls.filter((c) => c.kind === "landmark");
    const here = new Set(all.filter((c) => c.photo === this.photo.photo).map((c) => c.name));
    return [...new Map(all.filter((c) => !here.has(c.name)).map((c) => [c.name, c])).values()];
  }

  firstToDecide() {
    const ranked = (this.doc?.revisit?.antennas || []).map((a) => a.antenna_id);
    const flagged = (this.doc?.antennas || []).filter((a) => a.revisit).map((a) => a.antenna_id);
    const order = [...ranked.filter((id) => flagged.includes(id)), ...flagged.filter((id) => !ranked.includes(id))];
    return order.find((id) => !this.decision(id)) ?? order[0] ?? null;
  }

  bestPhoto(id) {
    const views = [...(this.found(id)?.evidence || [])].filter((e) => e.view !== "rear");
    views.sort((a, b) => b.width_px * b.quality - a.width_px * a.quality);
    const name = (views[0] ?? this.found(id)?.evidence[0])?.photo;
    const k = this.data.photos.findIndex((p) => p.photo === name);
    return k >= 0 ? k : this.data.photos.findIndex((p) => p.size);
  }

  status(a) {
    if (!a || a.azimuth_true_deg == null) return ["unseen", "not measured"];
    if (a.design?.decision === "reject") return ["out", "out of tolerance"];
    if (a.reading && !a.reading.agrees) return ["reading", "reading differs"];
    if (a.status === "ambiguous") return ["undecided", "ambiguous"];
    if (a.design?.decision === "undecided") return ["undecided", "undecided"];
    return ["ok", "within tolerance"];
  }

  head() {
    const window = this.solved()?.window_px;
    if (window) return window;
    const points = this.boxes().flatMap((b) => b.points);
    if (!points.length) return null;
    const xs = points.map((p) => p[0]), ys = points.map((p) => p[1]);
    const room = 0.3 * Math.max(Math.max(...xs) - Math.min(...xs), Math.max(...ys) - Math.min(...ys));
    return [Math.min(...xs) - room, Math.min(...ys) - room, Math.max(...xs) + room, Math.max(...ys) + room];
  }

  // ------------------------------------------------------------------------------------------------------------------
  // The frame

  frame() {
    this.bar = h("header", { class: "bar" });
    this.notes = h("div", { class: "notes" });
    this.strip = h("nav", { class: "strip", "aria-label": "Photos of this site" });
    this.tools = h("div", { class: "tools", role: "toolbar", "aria-label": "Tools" });
    const svg = s("svg", { class: "over", "aria-label": "Marks" });
    this.glass = h("canvas", { class: "glass", width: 208, height: 208, hidden: true, "aria-hidden": "true" });
    this.busy = h("p", { class: "busy", hidden: true });
    this.message = h("div", { class: "message", hidden: true });
    this.window = h("div", { class: "viewer", tabindex: 0, role: "application", "aria-roledescription": "photo", "data-key": "viewer" }, svg, this.glass, this.busy, this.message);
    this.panel = h("section", { class: "panel", "aria-label": "What is selected" });
    this.about = h("section", { class: "about", "aria-label": "This photo" });
    this.table = h("section", { class: "figures", "aria-label": "Antennas" });
    this.decide = h("section", { class: "decide", "aria-label": "Decision" });
    this.planbox = h("section", { class: "planbox", "aria-label": "Plan" });
    this.more = h("section", { class: "more", "aria-label": "Why" });
    this.past = h("section", { class: "past", "aria-label": "History" });
    show(this.place, this.bar, this.notes,
      h("div", { class: "desk" },
        h("div", { class: "left" }, this.strip, this.tools, this.window, this.panel, this.about),
        h("div", { class: "right" }, this.table, this.decide, this.planbox, this.more, this.past)));
    this.viewer = new Viewer(this.window, { drawn: () => { this.marks.draw(); if (this.glass.dataset.on) this.magnify(); }, failed: (url) => this.tileFailed(url) });
    this.marks = new Marks(this.viewer, svg, {
      select: (id, near) => this.select(id, near),
      changed: (id, points) => this.changed(id, points),
      placed: (point) => this.placed(point),
      loupe: (point, points) => this.loupe(point, points),
      pressed: (e) => this.pressed(e),
    });
    for (const place of [this.table, this.planbox, this.window, this.strip]) {
      const light = (e) => {
        const of = e.target.closest?.("[data-antenna],[data-photo],[data-landmark]");
        this.light(of && e.type !== "pointerout" && e.type !== "focusout" ? { antenna: of.dataset.antenna, photo: of.dataset.photo, landmark: of.dataset.landmark } : {});
      };
      for (const kind of ["pointerover", "pointerout", "focusin", "focusout"]) place.addEventListener(kind, light);
    }
    this.planbox.addEventListener("click", (e) => {
      const camera = e.target.closest?.(".camera[data-photo]"), antenna = e.target.closest?.("[data-antenna]");
      if (this.picking) return;
      if (camera) this.openPhoto(this.data.photos.findIndex((p) => p.photo === camera.dataset.photo));
      else if (antenna) this.choose(antenna.dataset.antenna);
    });
    this.render();
  }

  render() {
    this.renderBar();
    this.renderNotes();
    this.renderStrip();
    this.strip.querySelector(".current")?.scrollIntoView({ block: "nearest", inline: "nearest" });
    this.renderTools();
    this.renderMarks();
    this.renderPanel();
    this.renderAbout();
    this.renderTable();
    this.renderDecide();
    this.renderPlan();
    this.renderMore();
    this.renderPast();
  }

  /** What is pointed at lights up in photo, plan and table. */
  light(hot) {
    if (hot.antenna === this.hot.antenna && hot.photo === this.hot.photo && hot.landmark === this.hot.landmark) return;
    this.hot = hot;
    const photos = new Set(hot.photo ? [hot.photo] : hot.antenna ? (this.found(hot.antenna)?.evidence || []).map((e) => e.photo) : []);
    for (const el of this.place.querySelectorAll("[data-antenna]")) el.classList.toggle("hot", Boolean(hot.antenna) && el.dataset.antenna === hot.antenna);
    for (const el of this.place.querySelectorAll("[data-landmark]")) el.classList.toggle("hot", Boolean(hot.landmark) && el.dataset.landmark === hot.landmark);
    for (const el of this.place.querySelectorAll(".sight[data-photo], .camera[data-photo], .thumb[data-photo]")) el.classList.toggle("hot", photos.has(el.dataset.photo));
    this.marks.hot = hot.antenna; // drawn anew it stays lit; now only classes change, as the keyboard may be on its way
  }

  renderBar() {
    const d = this.data;
    const open = (this.doc?.antennas || []).filter((a) => a.revisit && !this.decision(a.antenna_id)).length;
    const link = (id, words, key) => (id ? h("a", { class: "button", "data-key": key, href: this.go.site(id, this.wanted), title: id }, words) : h("span", { class: "button off" }, words));
    show(this.bar,
      h("a", { class: "back", href: this.go.list(this.wanted), "data-key": "back" }, "← All sites"),
      h("h1", { tabindex: -1 }, d.site_id), badge(d.state),
      h("span", { class: "muted count" }, !this.doc ? "" : open ? `${open} ${open === 1 ? "antenna waits" : "antennas wait"} for a decision` : this.doc.antennas.some((a) => a.revisit) ? "everything decided" : "nothing wants looking at"),
      h("span", { class: "grow" }),
      h("button", { "data-key": "undo", disabled: !d.undo, title: d.undo ? `Undo: ${d.undo.words} (${d.undo.who})` : "Nothing to undo", onclick: () => this.act("undo") }, "Undo"),
      h("button", { "data-key": "redo", disabled: !d.redo, title: d.redo ? `Redo: ${d.redo.words}` : "Nothing to redo", onclick: () => this.act("redo") }, "Redo"),
      h("button", { "data-key": "keys", onclick: () => this.showKeys() }, "Keys"),
      h("button", { "data-key": "name", class: who() ? "plain" : "wanting", onclick: () => this.askName() }, who() ? who() : "Your name…"),
      link(d.previous, "‹ Previous", "previous"), link(d.next, "Next site ›", "next"));
  }

  renderNotes() {
    const notes = [...this.data.notes];
    if (this.data.changed.length) notes.push(`Changed since something was marked in it: ${this.data.changed.map((n) => this.label(n)).join(", ")}. Look whether the marks still fit.`);
    for (const f of this.doc?.audit?.flags || []) notes.push(`${this.label(f.photo)}: ${f.message}`);
    for (const t of this.doc?.turns || []) if (t.turned) notes.push(t.sentence);
    if (this.failed) notes.unshift(this.failed);
    show(this.notes, notes.length ? h("ul", {}, notes.map((n, k) => h("li", { class: k === 0 && this.failed ? "trouble" : "" }, n))) : []);
  }

  label(name) { return this.data.photos.find((p) => p.photo === name)?.label ?? name; }

  renderStrip() {
    show(this.strip, this.data.photos.map((p, k) => {
      const d = this.solved(p);
      const seen = (this.doc?.antennas || []).filter((a) => a.evidence.some((e) => e.photo === p.photo)).length;
      const state = this.leftOut(p) ? "left out" : p.copy_of ? "a copy" : !p.size ? "not readable" : d?.status === "rejected" ? "not used" : !d ? "" : `${seen} seen`;
      return h("button", { class: `thumb${k === this.k ? " current" : ""}${!this.counts(p) || d?.status === "rejected" ? " off" : ""}`, "data-photo": p.photo, "data-key": `thumb-${k}`, "aria-current": k === this.k ? "true" : null,
        title: p.photo, onclick: () => this.openPhoto(k) },
      h("span", { class: "pic" }, p.size ? h("img", { src: `/tile/${p.digest}/${p.size.levels - 1}/0/0.jpg`, alt: "", loading: "lazy" }) : null),
      h("span", { class: "cap" }, h("b", {}, k + 1), " ", state, d?.flags.length ? h("span", { class: "bang", title: d.flags.join("; ") }, " !") : null));
    }));
  }

  renderTools() {
    const usable = Boolean(this.photo?.size) && !this.leftOut();
    show(this.tools,
      h("span", { class: "group", role: "group", "aria-label": "What a click does" }, Object.entries(TOOLS).map(([tool, [words]]) =>
        h("button", { "data-key": `tool-${tool}`, "aria-pressed": this.tool === tool ? "true" : "false", disabled: tool !== "look" && !usable, onclick: () => this.use(tool) }, words))),
      h("span", { class: "group", role: "group", "aria-label": "Zoom" },
        h("button", { "data-key": "out", "aria-label": "Farther", title: "Farther (−)", onclick: () => this.viewer.zoomBy(1 / 1.5) }, "−"),
        h("button", { "data-key": "in", "aria-label": "Nearer", title: "Nearer (+)", onclick: () => this.viewer.zoomBy(1.5) }, "+"),
        h("button", { "data-key": "whole", title: "Whole photo (0)", onclick: () => this.viewer.whole() }, "Whole"),
        h("button", { "data-key": "head", title: "Head of the tower (h)", disabled: !this.head(), onclick: () => this.viewer.frame(this.head(), 1) }, "Head")));
  }

  // ------------------------------------------------------------------------------------------------------------------
  // Photo and marks

  openPhoto(k, first = false) {
    if (k < 0 || k >= this.data.photos.length) return;
    this.marks.flush();
    this.k = k;
    this.draft = null;
    this.tool = this.marks.tool = "look";
    const photo = this.photo;
    this.message.hidden = true;
    this.window.setAttribute("aria-label", `Photo ${k + 1}, ${photo.label}. Arrow keys move it, plus and minus bring it nearer, Tab goes to the marks.`);
    if (photo.size) this.viewer.open(photo, this.head());
    else {
      this.viewer.open(null);
      this.problem(h("p", {}, `${photo.label} cannot be shown: ${photo.reason ?? "it could not be read"}.`));
    }
    const id = this.antenna && this.view(this.antenna) ? `box:${this.antenna}` : null;
    this.marks.selected = id;
    if (first) this.nearTo(id);
    this.render();
  }

  async tileFailed(url) {
    let why = "the file is not where it was, or the desk is gone";
    try {
      const response = await fetch(url);
      if (!response.ok) why = (await response.json()).error;
      else return this.viewer.draw();
    } catch { /* as said */ }
    this.problem(h("p", {}, `This photo cannot be shown: ${why}.`), h("p", {}, h("button", { onclick: () => { this.message.hidden = true; this.viewer.failing = false; this.viewer.draw(); } }, "Try again")));
  }

  problem(...what) {
    show(this.message, what);
    this.message.hidden = false;
  }

  boxes() {
    if (!this.photo || !this.doc && !this.data.picks.length) return [];
    const out = [];
    for (const id of this.data.antennas) {
      const view = this.view(id), pick = this.pick(id);
      const points = this.solving && pick?.corners_px ? pick.corners_px : view?.corners_px ?? pick?.corners_px;
      if (!points) continue;
      const how = pick ? (pick.exact ? "held" : "marked") : "found";
      const [word] = this.status(this.found(id));
      out.push({
        id: `box:${id}`, kind: "box", class: `${how} s-${word}`, antenna: id, points, movable: true,
        label: `${this.short.get(id)}${how === "found" ? "" : how === "held" ? " held" : " marked"}`,
        said: `${id}, ${how}${view ? `, seen ${view.view === "face" ? "from the front" : view.view}` : ""}`,
      });
    }
    return out;
  }

  renderMarks() {
    const marks = this.boxes();
    (this.solved()?.panels || []).forEach((p, k) => {
      if (p.antenna_id === null && !this.absentAt(p)) marks.push({ id: `panel:${k}`, kind: "panel", points: p.corners_px.slice(0, 4), label: "?", said: "a panel that nobody could name", panel: p });
    });
    for (const p of this.data.picks) {
      if (p.absent && p.seed_px && p.photo === this.photo?.photo) marks.push({ id: `absent:${p.seed_px}`, kind: "absent", points: [p.seed_px], label: "no antenna", said: "said to be no antenna" });
      else if (!p.absent && !p.corners_px && p.photo === this.photo?.photo && !this.view(p.antenna_id)) marks.push({ id: `seed:${p.antenna_id}`, kind: "seed", points: [p.seed_px], label: this.short.get(p.antenna_id), said: `${p.antenna_id}, marked by a point` });
    }
    for (const c of this.data.controls) {
      if (c.photo !== this.photo?.photo || !c.pixel) continue;
      const points = c.tip_px ? [c.pixel, c.tip_px] : [c.pixel];
      marks.push({ id: this.slot(c), kind: c.kind, points, movable: true, control: c, label: c.name || NOUN[c.kind].toLowerCase(), ends: ["foot", "tip"], said: `${NOUN[c.kind]} ${c.name}` });
    }
    for (const l of this.data.lines) if (l.photo === this.photo?.photo) marks.push({ id: "control:roll:", kind: "plumb", points: l.line_px, movable: true, control: this.data.controls.find((c) => c.kind === "roll" && c.photo === l.photo), label: "plumb line", ends: ["one end", "other end"], said: "Plumb line" });
    if (this.draft?.points) marks.push({ ...this.draft, id: "draft", movable: true, class: "draft", ends: this.draft.kind === "shadow" ? ["foot", "tip"] : ["one end", "other end"], said: `${this.draft.label}, not set yet` });
    this.marks.tool = this.tool === "add" || this.draft?.done ? "look" : this.tool;
    this.window.classList.toggle("aiming", this.marks.tool !== "look");
    this.marks.set(marks);
  }

  absentAt(panel) {
    const xs = panel.corners_px.map((p) => p[0]), ys = panel.corners_px.map((p) => p[1]);
    return this.data.picks.some((p) => p.absent && p.photo === this.photo.photo && p.seed_px[0] >= Math.min(...xs) && p.seed_px[0] <= Math.max(...xs) && p.seed_px[1] >= Math.min(...ys) && p.seed_px[1] <= Math.max(...ys));
  }

  select(id, near = false) {
    if (this.draft && id !== "draft") return;
    this.marks.flush();
    this.marks.selected = id;
    if (id?.startsWith("box:")) {
      this.antenna = id.slice(4);
      this.held = this.pick(this.antenna)?.exact ?? false;
      this.nearTo(id, near);
    }
    this.renderMarks();
    this.renderPanel();
    this.renderTable();
    this.renderDecide();
    this.renderMore();
  }

  /** Come so near that corners can be told apart. */
  nearTo(id, always = false) {
    const mark = this.boxes().find((b) => b.id === id) ?? this.marks.marks.find((m) => m.id === id);
    if (!mark) return;
    const at = mark.points.map((p) => this.viewer.toScreen(p));
    const [xs, ys] = [at.map((p) => p[0]), at.map((p) => p[1])];
    const { width, height } = this.viewer.box;
    const small = Math.max(...ys) - Math.min(...ys) < 110;
    const outside = Math.min(...xs) < 0 || Math.max(...xs) > width || Math.min(...ys) < 0 || Math.max(...ys) > height;
    if (!(small || outside || always)) return;
    const px = mark.points.map((p) => p[0]), py = mark.points.map((p) => p[1]);
    const tall = Math.max(Math.max(...py) - Math.min(...py), Math.max(...px) - Math.min(...px), 24);
    const [cx, cy] = [(Math.max(...px) + Math.min(...px)) / 2, (Math.max(...py) + Math.min(...py)) / 2];
    this.viewer.frame([cx - tall, cy - tall, cx + tall, cy + tall], 1);
  }

  choose(id) {
    this.antenna = id;
    this.note = "";
    if (!this.view(id)) {
      const k = this.bestPhoto(id);
      if (this.found(id)?.evidence.length && k >= 0 && k !== this.k) {
        this.openPhoto(k);
        this.nearTo(`box:${id}`);
        return;
      }
    }
    this.select(this.view(id) || this.pick(id) ? `box:${id}` : null);
    this.renderTable();
    this.renderPanel();
    this.renderDecide();
    this.renderMore();
  }

  changed(id, points) {
    const photo = this.photo.photo;
    if (id === "draft") {
      this.draft = { ...this.draft, points };
      this.marks.settled();
      if (this.draft.kind === "plumb") this.askRoll();
      this.renderMarks();
      this.renderPanel();
    } else if (id.startsWith("box:")) {
      this.act("pick", { antenna_id: id.slice(4), corners_px: points, exact: this.held }, photo);
    } else if (id === "control:roll:") {
      this.setPlumb(points);
    } else if (id.startsWith("control:")) {
      const c = this.data.controls.find((x) => x.photo === photo && this.slot(x) === id);
      this.act("control", { ...bodyOf(c), pixel: points[0], tip_px: points[1] ?? null }, photo);
    }
  }

  use(tool) {
    this.marks.flush();
    this.tool = tool;
    this.draft = tool === "add" ? { choosing: true } : null;
    this.picking = null;
    this.marks.selected = null;
    this.renderTools();
    this.renderMarks();
    this.renderPanel();
    this.renderPlan();
    if (tool !== "look" && tool !== "add") this.window.focus({ preventScroll: true });
  }

  placed(point) {
    const p = point.map((v) => Math.round(v * 100) / 100);
    if (this.tool === "plumb" || this.tool === "shadow") {
      if (!this.draft) this.draft = { kind: this.tool, first: p, label: TOOLS[this.tool][0].toLowerCase() };
      else {
        this.draft = { ...this.draft, points: [this.draft.first, p], done: true };
        this.marks.selected = "draft";
        if (this.tool === "plumb") this.askRoll();
      }
    } else {
      this.draft = { kind: this.tool, points: [p], label: TOOLS[this.tool][0].toLowerCase(), done: true, values: this.draft?.values ?? {} };
      this.marks.selected = "draft";
    }
    this.renderMarks();
    this.renderPanel();
    this.renderPlan();
    this.panel.querySelector("[data-first]")?.focus({ preventScroll: false });
  }

  /** A box for an antenna where it is expected, else in the middle of what is seen. */
  boxFor(id) {
    const missing = this.found(id)?.missing.find((m) => m.photo === this.photo.photo);
    const { width, height } = this.viewer.box;
    const middle = missing?.pixel ?? this.viewer.toPhoto(width / 2, height / 2);
    let [w, tall] = missing?.size_px ?? [0, 0];
    if (!(w > 2 && tall > 4)) {
      const seen = this.boxes().map((b) => [Math.abs(b.points[1][0] - b.points[0][0]), Math.abs(b.points[3][1] - b.points[0][1])]);
      [w, tall] = seen.length ? seen[0] : [(0.12 * height) / this.viewer.zoom, (0.5 * height) / this.viewer.zoom];
      w = Math.max(w, 8);
    }
    const [x, y] = middle;
    this.draft = { kind: "box", antenna: id, label: this.short.get(id), done: true, points: [[x - w / 2, y - tall / 2], [x + w / 2, y - tall / 2], [x + w / 2, y + tall / 2], [x - w / 2, y + tall / 2]].map((p) => p.map((v) => Math.round(v * 10) / 10)) };
    this.tool = "add";
    this.marks.selected = "draft";
    this.renderTools();
    this.renderMarks();
    this.nearTo("draft");
    this.renderPanel();
  }

  drop() {
    this.draft = null;
    this.picking = null;
    this.tool = "look";
    this.marks.selected = null;
    this.renderTools();
    this.renderMarks();
    this.renderPanel();
    this.renderPlan();
  }

  loupe(point, points) {
    this.glass.hidden = !point;
    this.glass.dataset.on = point ? "yes" : "";
    this.looking = [point, points];
    if (point) this.magnify();
  }

  magnify() {
    const [point, points] = this.looking;
    const zoom = Math.min(Math.max(this.viewer.zoom * 2.5, 6), 24);
    this.viewer.loupe(this.glass, point, zoom);
    const g = this.glass.getContext("2d");
    const at = (p) => [(p[0] - point[0]) * zoom + 104, (p[1] - point[1]) * zoom + 104];
    g.beginPath();
    points.forEach((p, k) => g[k ? "lineTo" : "moveTo"](...at(p)));
    if (points.length > 2) g.closePath();
    for (const [colour, width] of [["#000", 3], ["#fff", 1.2]]) {
      g.strokeStyle = colour;
      g.lineWidth = width;
      g.stroke();
    }
    g.beginPath();
    g.moveTo(104, 0); g.lineTo(104, 90); g.moveTo(104, 118); g.lineTo(104, 208);
    g.moveTo(0, 104); g.lineTo(90, 104); g.moveTo(118, 104); g.lineTo(208, 104);
    g.strokeStyle = "#ffe14d";
    g.lineWidth = 1;
    g.stroke();
    const [x] = this.viewer.toScreen(point);
    this.glass.classList.toggle("at-left", x > this.viewer.box.width / 2);
  }

  // ------------------------------------------------------------------------------------------------------------------
  // Beneath the photo: what is selected

  renderPanel() {
    const id = this.marks.selected;
    if (!this.photo?.size) return show(this.panel, h("p", { class: "muted" }, "Nothing can be marked in this photo."));
    if (this.draft || this.tool !== "look") return show(this.panel, this.draftPanel());
    if (id?.startsWith("box:")) return show(this.panel, this.boxPanel(id.slice(4)));
    const mark = this.marks.marks.find((m) => m.id === id);
    if (mark?.kind === "panel") return show(this.panel, this.namelessPanel(mark));
    if (mark?.kind === "absent") return show(this.panel, h("h2", {}, "No antenna here"), h("p", {}, "Said at this desk. Name it as an antenna by “Add antenna”, or undo."));
    if (mark?.control) return show(this.panel, this.controlPanel(mark.control, mark.kind));
    const a = this.antenna && this.found(this.antenna);
    const missing = a?.missing.find((m) => m.photo === this.photo.photo);
    return show(this.panel,
      a && !this.view(this.antenna) ? h("p", {}, h("strong", {}, this.short.get(this.antenna)), missing ? ` is not marked in this photo: ${missing.reason}. ` : " is not marked in this photo. ",
        this.leftOut() ? null : h("button", { "data-key": "mark-here", onclick: () => this.boxFor(this.antenna) }, `Mark ${this.short.get(this.antenna)} here`)) : null,
      h("p", { class: "muted" }, TOOLS.look[1]));
  }

  boxPanel(id) {
    const pick = this.pick(id), view = this.view(id);
    const how = !pick ? "found by photoaz" : pick.exact ? "marked by hand, held as drawn" : pick.here ? "marked by hand, edges refined" : "from the table of picks";
    const seen = view ? { face: "seen from the front", oblique: "seen obliquely", profile: "seen from the side", rear: "seen from behind" }[view.view] : "";
    return [
      h("h2", {}, id, " ", h("span", { class: "muted" }, [how, seen, view ? `${plain(view.width_px, 0)} px wide, ${Math.round(100 * view.quality)} % of its outline found its edge` : ""].filter(Boolean).join("; "))),
      h("div", { class: "row" },
        h("label", { class: "check", title: "Otherwise the edges move to the nearest edges in the photo when you let go" }, h("input", { type: "checkbox", "data-key": "hold", checked: this.held, onchange: (e) => {
          this.held = e.target.checked;
          const points = (this.marks.working?.points) ?? this.boxes().find((b) => b.antenna === id)?.points;
          if (pick && points) this.act("pick", { antenna_id: id, corners_px: points, exact: this.held }, this.photo.photo);
        } }), " Hold as drawn"),
        this.naming(id),
        h("button", { "data-key": "not", onclick: () => this.act("not_antenna", { antenna_id: id, seed_px: centre(view?.corners_px ?? pick.corners_px) }, this.photo.photo) }, "Not an antenna"),
        pick ? h("button", { "data-key": "unmark", onclick: () => this.act("no_pick", { antenna_id: id }, this.photo.photo) }, "Remove the mark") : null,
        h("button", { "data-key": "near", onclick: () => this.nearTo(`box:${id}`, true) }, "Zoom to it")),
    ];
  }

  naming(was) {
    const others = this.data.antennas.filter((n) => n !== was);
    return h("label", {}, was ? "It is " : "This is ", h("select", { "data-key": "naming", onchange: (e) => {
      const name = e.target.value;
      if (!name) return;
      const mark = this.marks.marks.find((m) => m.id === this.marks.selected);
      this.antenna = name;
      this.act("other_antenna", { antenna_id: name, was: was ?? null, corners_px: mark.points, exact: false }, this.photo.photo).then((done) => done && this.select(`box:${name}`));
    } }, h("option", { value: "" }, was ? "another antenna…" : "which antenna?"), others.map((n) => h("option", { value: n }, n))));
  }

  namelessPanel(mark) {
    return [
      h("h2", {}, "A panel without a name ", h("span", { class: "muted" }, mark.panel.reasons.join("; "))),
      h("div", { class: "row" }, this.naming(null),
        h("button", { "data-key": "not", onclick: () => this.act("not_antenna", { antenna_id: "", seed_px: centre(mark.points) }, this.photo.photo) }, "Not an antenna")),
    ];
  }

  controlPanel(c, kind) {
    const said = {
      landmark: `at ${plain(c.lat_deg, 6)}, ${plain(c.lon_deg, 6)}${c.height_m != null ? `, ${plain(c.height_m)} m high` : ""}, good to ${plain(c.u95)} m`,
      bearing: `true azimuth ${azimuth(c.azimuth_true_deg)} ± ${plain(c.u95)}°`, roll: `the camera is rolled by ${signed(c.value_deg)} ± ${plain(c.u95, 2)}°`,
    }[c.kind] ?? `± ${plain(c.u95)}°`;
    return [
      h("h2", {}, kind === "plumb" ? "Plumb line" : NOUN[c.kind], " ", c.name, " ", h("span", { class: "muted" }, said, c.here ? "" : "; from the table of controls")),
      h("div", { class: "row" },
        c.kind === "landmark" ? h("button", { "data-key": "edit", onclick: () => { this.tool = "landmark"; this.draft = { kind: "landmark", points: [c.pixel], label: c.name, done: true, values: { ...c } }; this.marks.selected = "draft"; this.renderTools(); this.renderMarks(); this.renderPanel(); } }, "Change its position") : null,
        h("button", { "data-key": "remove", onclick: () => { this.marks.selected = null; this.act("no_control", { kind: c.kind, name: c.name }, c.photo); } }, "Remove it")),
    ];
  }

  draftPanel() {
    const tool = this.tool, d = this.draft;
    const cancel = h("button", { "data-key": "cancel", onclick: () => this.drop() }, "Cancel");
    if (tool === "add" && !d?.points) {
      const rest = this.data.antennas.filter((id) => !this.view(id) && !this.pick(id));
      return [h("h2", {}, "Add an antenna"),
        rest.length ? h("p", {}, "Which one do you see here? Its box is put where it is expected; then drag it right.") : h("p", {}, "All antennas of the site are marked in this photo."),
        h("div", { class: "row" }, rest.map((id) => h("button", { "data-key": `add-${id}`, onclick: () => this.boxFor(id) }, this.short.get(id))), cancel)];
    }
    if (tool === "add") {
      return [h("h2", {}, `${d.antenna}, not set yet`), h("p", {}, "Drag corners and edges to the front face of the antenna, then set it. Edges then move to the nearest edges in the photo."),
        h("div", { class: "row" }, h("button", { class: "main", "data-key": "set", "data-first": "", onclick: () => this.setBox() }, "Set"),
          h("label", { class: "check" }, h("input", { type: "checkbox", "data-key": "hold", checked: this.held, onchange: (e) => { this.held = e.target.checked; } }), " Hold as drawn"), cancel)];
    }
    if (!d?.done) return [h("h2", {}, TOOLS[tool][0]), h("p", {}, d?.first ? "Now the other end." : TOOLS[tool][1], " With the keyboard: move the photo under the cross with the arrow keys, then Enter."), h("div", { class: "row" }, cancel,
      tool === "sun" ? h("button", { "data-key": "seek", onclick: () => this.setControl({ kind: "sun" }) }, "Look for it without a click") : null)];
    if (tool === "landmark") return this.landmarkForm(cancel);
    if (tool === "plumb") {
      return [h("h2", {}, "Plumb line"), h("p", {}, d.problem ?? (d.roll ? `With this line plumb the camera is rolled by ${signed(d.roll.roll_deg)} ± ${plain(d.roll.u95_deg, 2)}°.` : "Working it out…")),
        h("div", { class: "row" }, h("button", { class: "main", "data-key": "set", "data-first": "", disabled: !d.roll, onclick: () => this.setPlumb(d.points) }, "Set"), cancel)];
    }
    const sun = this.photo.sun;
    const trouble = (tool === "sun" || tool === "shadow") && sun?.azimuth_deg == null ? `The sun’s place is not known: ${sun?.reason}.` : null;
    const form = h("form", { class: "row", onsubmit: (e) => {
      e.preventDefault();
      const v = Object.fromEntries(new FormData(e.target));
      const body = { kind: tool, name: (v.name || "").trim(), pixel: d.points[0], tip_px: d.points[1] ?? null, u95: num(v.u95), azimuth_true_deg: num(v.azimuth) };
      this.setControl(body);
    } },
    tool === "sun" ? null : h("label", {}, "Name ", h("input", { name: "name", "data-key": "f-name", "data-first": "", value: this.freeName(tool), size: 14 })),
    tool === "bearing" ? h("label", {}, "True azimuth ", h("input", { name: "azimuth", "data-key": "f-azimuth", required: true, inputmode: "decimal", size: 7 }), "°") : null,
    h("label", {}, "Good to ± ", h("input", { name: "u95", "data-key": "f-u95", inputmode: "decimal", size: 5, placeholder: { sun: "0.3", bearing: "1", shadow: "2" }[tool] }), "°"),
    h("button", { class: "main", type: "submit", "data-key": "set", "data-first": tool === "sun" ? "" : null, disabled: Boolean(trouble) }, "Set"), cancel);
    return [h("h2", {}, TOOLS[tool][0]), trouble ? h("p", { class: "trouble" }, trouble) : null, form];
  }

  freeName(kind) {
    const taken = new Set(this.data.controls.filter((c) => c.kind === kind).map((c) => c.name));
    let k = 1;
    while (taken.has(`${kind} ${k}`)) k += 1;
    return `${kind} ${k}`;
  }

  landmarkForm(cancel) {
    const d = this.draft, v = d.values;
    const known = this.landmarksElsewhere();
    const field = (name, words, size, more = {}) => h("label", {}, words, " ", h("input", { name, "data-key": `f-${name}`, size, value: v[name] ?? "", oninput: (e) => {
      v[name] = e.target.value;
      const pair = name === "lat_deg" && e.target.value.match(/^\s*(-?\d+(?:\.\d+)?)\s*[,;\s]\s*(-?\d+(?:\.\d+)?)\s*$/);
      if (pair) { [, v.lat_deg, v.lon_deg] = pair; this.renderPanel(); }
      clearTimeout(this.typing);
      this.typing = setTimeout(() => this.renderPlan(), 300);
    }, ...more }));
    const form = h("form", { class: "row", onsubmit: (e) => {
      e.preventDefault();
      this.setControl({ kind: "landmark", name: String(v.name ?? "").trim(), pixel: d.points[0], lat_deg: num(v.lat_deg), lon_deg: num(v.lon_deg), height_m: num(v.height_m), u95: num(v.u95) });
    } },
    field("name", "Name", 16, { "data-first": known.length ? null : "", required: true }),
    field("lat_deg", "Latitude", 12, { required: true, title: "Degrees, north positive, WGS84; a pair pasted here fills both" }), field("lon_deg", "Longitude", 12, { required: true, title: "Degrees, east positive, WGS84" }),
    field("height_m", "Height, m", 6, { inputmode: "decimal", title: "Of the marked point above the ground at the tower; without it only its direction in plan is used" }), field("u95", "Good to ± m", 5, { inputmode: "decimal", placeholder: "10" }),
    h("button", { type: "button", "data-key": "pickplan", "aria-pressed": this.picking ? "true" : "false", onclick: () => this.pickOnPlan() }, this.picking ? "Click in the plan…" : "Pick on the plan"),
    h("button", { class: "main", type: "submit", "data-key": "set" }, "Set"), cancel);
    return [h("h2", {}, "Landmark"),
      known.length ? h("div", { class: "row" }, h("span", {}, "Known at this site: "), known.map((l, k) => h("button", { "data-key": `known-${l.name}`, "data-first": k ? null : "", onclick: () => this.setControl({ ...bodyOf(l), pixel: d.points[0] }) }, l.name || "without a name"))) : null,
      form];
  }

  pickOnPlan() {
    this.picking = this.picking ? null : ([lat, lon]) => {
      this.draft.values.lat_deg = lat.toFixed(6);
      this.draft.values.lon_deg = lon.toFixed(6);
      this.picking = null;
      this.renderPanel();
      this.renderPlan();
      this.panel.querySelector('[data-key="set"]')?.focus();
    };
    if (this.picking) this.far = true;
    this.renderPanel();
    this.renderPlan();
    if (this.picking) this.planbox.scrollIntoView({ block: "nearest" });
  }

  async setBox() {
    const { antenna, points } = this.draft;
    if (await this.act("pick", { antenna_id: antenna, corners_px: points, exact: this.held }, this.photo.photo)) {
      this.drop();
      this.antenna = antenna;
      this.select(`box:${antenna}`);
    }
  }

  async setControl(body) {
    if (await this.act("control", body, this.photo.photo)) {
      this.drop();
      this.marks.selected = this.slot({ name: "", ...body });
      this.renderMarks();
      this.renderPanel();
    }
  }

  async askRoll() {
    const draft = this.draft;
    try {
      const roll = await post("/api/plumb", { site: this.siteId }, { photo: this.photo.photo, line_px: draft.points });
      if (this.draft?.points === draft.points) Object.assign(this.draft, { roll, problem: null });
    } catch (error) {
      if (this.draft?.points === draft.points) Object.assign(this.draft, { roll: null, problem: error.message });
    }
    this.renderPanel();
  }

  async setPlumb(points) {
    try {
      const roll = await post("/api/plumb", { site: this.siteId }, { photo: this.photo.photo, line_px: points });
      if (this.draft) this.drop();
      await this.act("control", { kind: "roll", name: "plumb line", value_deg: roll.roll_deg, u95: roll.u95_deg, line_px: points }, this.photo.photo);
    } catch (error) {
      wrong(error);
      this.marks.settled();
      this.marks.draw();
    }
  }

  renderAbout() {
    const p = this.photo, d = this.solved();
    if (!p) return;
    const said = [];
    if (p.taken) said.push(p.taken);
    if (p.camera) said.push(p.camera);
    if (d?.heading_true_deg != null) said.push(`looks to ${azimuth(d.heading_true_deg)} ± ${plain(d.heading_u95_deg)}°${p.compass_deg != null ? ` (its compass said ${azimuth(p.compass_deg)})` : ""}`);
    else if (p.compass_deg != null) said.push(`compass ${azimuth(p.compass_deg)}`);
    const left = this.leftOut(p);
    const warnings = [...(d?.flags || []), ...p.flags];
    show(this.about,
      h("p", {}, h("strong", {}, `${this.k + 1} `, p.label), said.length ? ` – ${said.join("; ")}` : ""),
      warnings.map((f) => h("p", { class: "warn" }, f)),
      p.copy_of ? h("p", { class: "warn" }, `Not used: it is a copy of ${this.label(p.copy_of)}, or of the same moment.`) : null,
      d?.status === "rejected" && !left ? h("p", { class: "warn" }, `Not used: ${d.reason}.`) : null,
      left ? h("p", { class: "warn" }, `Left out by ${left.who} on ${moment(left.at)}${left.note ? `: ${left.note}` : ""} `, h("button", { "data-key": "include", onclick: () => this.act("include_photo", {}, p.photo) }, "Take it in again"))
        : this.counts(p) ? h("details", { class: "leave" }, h("summary", { "data-key": "leave" }, "Leave this photo out…"),
          h("form", { class: "row", onsubmit: (e) => { e.preventDefault(); this.act("exclude_photo", { note: new FormData(e.target).get("note").trim() }, p.photo); } },
            h("label", {}, "Why? ", h("input", { name: "note", "data-key": "leave-note", required: true, size: 30, maxlength: 500 })), h("button", { class: "main", type: "submit", "data-key": "leave-set" }, "Leave it out"))) : null,
      p.findings?.length ? h("details", {}, h("summary", { "data-key": "findings" }, `What its metadata lack (${p.findings.length})`), h("ul", {}, p.findings.map((f) => h("li", {}, f)))) : null);
  }

  // ------------------------------------------------------------------------------------------------------------------
  // Figures and decision

  renderTable() {
    const rows = this.data.antennas.map((id) => {
      const a = this.found(id), r = a?.reading, [word, words] = this.status(a), was = this.before.get(id), done = this.decision(id);
      return h("tr", { "data-antenna": id, class: `${id === this.antenna ? "current" : ""}${this.hot.antenna === id ? " hot" : ""}`, onclick: (e) => { if (!e.target.closest("button")) this.choose(id); } },
        h("th", { scope: "row" }, h("button", { class: "name", "data-key": `row-${id}`, "aria-pressed": id === this.antenna ? "true" : "false", onclick: () => this.choose(id), title: id }, this.short.get(id)),
          h("span", { class: `s ${word}` }, words)),
        h("td", { class: "n" }, a?.azimuth_true_deg == null ? "–" : [h("b", {}, azimuth(a.azimuth_true_deg)), h("span", { class: "u" }, `± ${plain(a.u95_deg)}°`), was ? h("span", { class: "was" }, `was ± ${plain(was.u95_deg)}°`) : null]),
        h("td", { class: "n" }, r ? [azimuth(r.azimuth_true_deg), h("span", { class: `u${r.agrees ? "" : " s-reading"}` }, r.agrees ? "agrees" : `differs ${plain(Math.abs(r.difference_deg))}°`)] : "none"),
        h("td", { class: "n" }, a?.design?.azimuth_true_deg != null ? [azimuth(a.design.azimuth_true_deg), h("span", { class: `u${a.design.decision === "reject" ? " s-out" : ""}` }, a.azimuth_true_deg != null ? `off ${signed(a.design.deviation_deg)}` : `± ${plain(a.design.tolerance_deg, 0)}°`)] : "–"),
        h("td", { class: "verdict" }, done ? h("span", { class: "done" }, { accept_reading: "accepted", revisit: "to visit", correct_register: "to correct" }[done.verdict]) : a?.revisit ? h("span", { class: "wants" }, "to decide") : ""));
    });
    show(this.table, this.solving && !this.doc ? h("p", { class: "waiting" }, "Solving this site for the first time; some seconds…") : h("table", {},
      h("caption", { class: "unseen" }, "Antennas of this site"),
      h("thead", {}, h("tr", {}, ["Antenna", "Photos", "Reading", "Design", "Decision"].map((t, k) => h("th", { scope: "col", class: k && k < 4 ? "n" : "" }, t)))),
      h("tbody", {}, rows)));
  }

  renderDecide() {
    const id = this.antenna, a = id && this.found(id);
    if (!a) return show(this.decide, this.solving ? [] : h("p", { class: "muted" }, "No result to decide about: mark the antennas in a photo, and the site is solved again."));
    const todo = (this.doc.revisit?.antennas || []).find((t) => t.antenna_id === id);
    const done = this.decision(id), r = a.reading, d = a.design;
    const facts = [];
    if (a.azimuth_true_deg != null) facts.push(["Photos", `${azimuth(a.azimuth_true_deg)} ± ${plain(a.u95_deg)}°`, a.status === "ambiguous" ? "ambiguous: see why below" : `${a.evidence.length} ${a.evidence.length === 1 ? "view" : "views"}`]);
    if (r) facts.push(["Reading", `${azimuth(r.azimuth_true_deg)} ± ${plain(r.u95_deg)}°`, r.agrees ? `agrees (off ${signed(-r.difference_deg)}, En ${plain(r.en, 2)})` : `differs by ${plain(Math.abs(r.difference_deg))}° (En ${plain(r.en)})`]);
    if (d?.azimuth_true_deg != null) facts.push(["Design", `${azimuth(d.azimuth_true_deg)} ± ${plain(d.tolerance_deg, 0)}°`, a.azimuth_true_deg == null ? "" : { accept: "within tolerance", reject: "out of tolerance", undecided: "undecided" }[d.decision] + `: ${chance(d.p_out_of_tolerance)} out`]);
    const buttons = [
      ["accept_reading", r ? "Accept the reading" : "Accept", todo?.action === "leave" || !a.revisit],
      ["revisit", "Visit again", ["climb", "photo", "read_again"].includes(todo?.action)],
      ["correct_register", "Correct the register", ["correct_register", "check_records"].includes(todo?.action)],
    ];
    const next = this.data.next;
    const rest = this.doc.antennas.filter((x) => x.revisit && !this.decision(x.antenna_id));
    show(this.decide,
      h("h2", {}, id),
      todo ? h("p", { class: "todo" }, h("strong", {}, capital(todo.instruction))) : h("p", { class: "todo" }, a.revisit ? "It wants looking at." : "Nothing to do, by the photos."),
      todo?.reasons?.length ? h("p", { class: "muted" }, capital(todo.reasons.join("; ")), ".") : null,
      h("div", { class: "facts" }, h("table", {}, h("tbody", {}, facts.map(([k, v, w]) => h("tr", {}, h("th", { scope: "row" }, k), h("td", { class: "n" }, v), h("td", {}, w))))), stripOf(a)),
      done ? h("p", { class: "done" }, h("strong", {}, done.words), ` – ${done.who}, ${moment(done.at)}${done.note ? `: ${done.note}` : ""} `,
        done.figures?.azimuth_true_deg != null && a.azimuth_true_deg != null && Math.abs(done.figures.azimuth_true_deg - a.azimuth_true_deg) > 0.1 ? h("span", { class: "warn" }, `decided at ${azimuth(done.figures.azimuth_true_deg)} ± ${plain(done.figures.u95_deg)}°; the figures have changed since. `) : null,
        h("button", { "data-key": "withdraw", onclick: () => this.act("no_decision", { antenna_id: id }) }, "Withdraw")) : null,
      h("label", { class: "notefield" }, "Note ", h("input", { "data-key": "note", value: this.note, maxlength: 1000, placeholder: "why, what to bring, whom to ask", oninput: (e) => { this.note = e.target.value; } })),
      h("div", { class: "row verdicts" }, buttons.map(([verdict, words, proposed]) => h("button", { "data-key": verdict, class: proposed && !done ? "main" : "", disabled: this.solving || (verdict !== "revisit" && !r && verdict === "correct_register"), "aria-pressed": done?.verdict === verdict ? "true" : "false", onclick: () => this.settle(verdict) }, words)),
        proposal(buttons, done)),
      done && rest.length ? h("p", {}, h("button", { "data-key": "nextantenna", onclick: () => this.choose(rest[0].antenna_id) }, `Next: ${this.short.get(rest[0].antenna_id)}`)) : null,
      done && !rest.length && next ? h("p", {}, h("a", { class: "button", "data-key": "nextsite", href: this.go.site(next, this.wanted) }, `Next site: ${next}`)) : null);
  }

  async settle(verdict) {
    const id = this.antenna;
    if (await this.act("decision", { antenna_id: id, verdict, note: this.note.trim() })) {
      this.note = "";
      this.renderDecide();
    }
  }

  renderPlan() {
    const draft = this.draft?.kind === "landmark" && num(this.draft.values?.lat_deg) != null && num(this.draft.values?.lon_deg) != null ? [num(this.draft.values.lat_deg), num(this.draft.values.lon_deg)] : null;
    const has = this.data.controls.some((c) => c.kind === "landmark");
    show(this.planbox,
      h("div", { class: "planhead" }, h("h2", {}, "From above"), has || this.picking ? h("button", { "data-key": "far", "aria-pressed": this.far ? "true" : "false", onclick: () => { this.far = !this.far; this.renderPlan(); } }, "Landmarks to scale") : null),
      this.picking ? h("p", { class: "hint" }, "Click where the landmark stands; the scale is at the lower left.") : null,
      planOf({ site: this.data, solution: this.doc, short: this.short, far: this.far, picking: this.picking, marked: draft, current: this.photo }),
      h("p", { class: "key" }, h("span", { class: "k photos" }, "photos ± U95"), h("span", { class: "k reading" }, "reading"), h("span", { class: "k design" }, "design ± tolerance"), h("span", { class: "k sight" }, "where cameras looked")));
  }

  renderMore() {
    const a = this.antenna && this.found(this.antenna);
    if (!a) return show(this.more, []);
    const shares = [...a.budget].sort((x, y) => y.share - x.share).slice(0, 6);
    const next = a.next_evidence;
    show(this.more,
      h("h2", {}, `Why ± ${plain(a.u95_deg)}°`),
      shares.length ? h("table", { class: "budget" }, h("caption", { class: "unseen" }, "Where the uncertainty comes from"), h("tbody", {}, shares.map((b) => h("tr", {}, h("th", { scope: "row" }, b.source),
        h("td", { class: "barcell" }, s("svg", { viewBox: "0 0 100 10", preserveAspectRatio: "none", "aria-hidden": "true" }, s("rect", { width: Math.max(100 * b.share, 0.8), height: 10 }))),
        h("td", { class: "n" }, b.share >= 0.005 ? `${Math.round(100 * b.share)} %` : "< 1 %"), h("td", { class: "n" }, `± ${plain(b.u95_deg, 2)}°`))))) : h("p", { class: "muted" }, "No azimuth, no budget."),
      next?.sentence ? h("p", {}, `${capital(next.sentence)}.`) : null,
      a.alternatives.length ? h("p", {}, "It may also be ", a.alternatives.map((o) => `${azimuth(o.azimuth_true_deg)} ± ${plain(o.u95_deg)}° (${Math.round(100 * o.probability)} %)`).join(", "), ".") : null,
      a.reasons.length ? h("details", {}, h("summary", { "data-key": "reasons" }, `In words (${a.reasons.length})`), h("ul", {}, a.reasons.map((r) => h("li", {}, r)))) : null,
      this.doc.weak_points?.length ? h("details", {}, h("summary", { "data-key": "weak" }, "What no test would notice"), h("ul", {}, this.doc.weak_points.map((w) => h("li", {}, w)))) : null);
  }

  renderPast() {
    const rows = this.data.history;
    show(this.past, h("h2", {}, "Done here"),
      rows.length ? h("ol", { reversed: true }, rows.map((r) => h("li", { class: r.undone ? "undone" : "" }, h("span", { class: "muted" }, `${moment(r.at)}, ${r.who}: `), r.undone ? h("s", {}, r.words) : r.words, r.undone ? h("span", { class: "unseen" }, " (undone or overruled)") : null)))
        : h("p", { class: "muted" }, "Nothing yet."),
      h("p", { class: "links" }, "As tables: ", ["picks", "controls", "decisions"].map((n) => h("a", { href: `/export/${n}.csv`, download: true }, `${n}.csv`))));
  }

  // ------------------------------------------------------------------------------------------------------------------
  // Doing

  /** Note what is done; true where the desk took it. */
  async act(kind, body = {}, photo = null) {
    if (!who() && !(await this.askName())) {
      this.marks.settled();
      this.renderMarks();
      return false;
    }
    let said;
    try {
      said = await post("/api/act", { site: this.siteId }, { who: who(), kind, body, photo });
    } catch (error) {
      wrong(error);
      this.marks.settled();
      this.renderMarks();
      return false;
    }
    const { ticket, ...edits } = said;
    this.data = { ...this.data, ...edits };
    if (ticket) this.follow(ticket);
    else {
      this.marks.settled();
      if (kind === "decision") say("Noted.");
    }
    this.render();
    return true;
  }

  async follow(ticket, first = false) {
    this.ticket = ticket;
    this.solving = true;
    this.failed = null;
    this.busy.hidden = false;
    this.busy.classList.add("on");
    this.busy.textContent = "Solving…";
    let whole = false;
    let start = this.doc;
    while (!this.closed && this.ticket === ticket) {
      let answer;
      try {
        answer = await get("/api/solved", { site: this.siteId, ticket, draft: whole ? null : "yes" });
      } catch (error) {
        if (this.ticket !== ticket) return;
        this.stop(`${error.message}`);
        return;
      }
      if (this.closed || this.ticket !== ticket) return;
      if (answer.solving) continue;
      if (answer.error && !answer.document) {
        this.stop(`This site could not be solved: ${answer.error}. What you marked is kept; mark another photo, or undo.`);
        return;
      }
      this.take(answer, start, first);
      if (!answer.draft) return;
      whole = true;
      this.busy.textContent = "Draft; solving all of it…";
    }
  }

  stop(why) {
    this.solving = false;
    this.drafted = false;
    this.busy.hidden = true;
    this.failed = why;
    say(why, "wrong");
    this.marks.settled();
    this.render();
  }

  take(answer, start, first) {
    this.doc = answer.document;
    this.drafted = answer.draft;
    this.solving = answer.draft;
    this.before = new Map();
    for (const a of start?.antennas || []) {
      const now = this.found(a.antenna_id);
      if (now?.u95_deg != null && a.u95_deg != null && Math.abs(now.u95_deg - a.u95_deg) >= 0.05) this.before.set(a.antenna_id, a);
    }
    if (!answer.draft) {
      this.failed = answer.error;
      const changes = [...this.before.values()].sort((a, b) => Math.abs(this.found(b.antenna_id).u95_deg - b.u95_deg) - Math.abs(this.found(a.antenna_id).u95_deg - a.u95_deg));
      const words = `Solved in ${(answer.took_ms / 1000).toFixed(1)} s. ${first || !start ? "" : changes.length ? `U95 of ${changes.slice(0, 3).map((a) => `${this.short.get(a.antenna_id)}: ± ${plain(a.u95_deg)}° → ± ${plain(this.found(a.antenna_id).u95_deg)}°`).join(", ")}${changes.length > 3 ? `, and ${changes.length - 3} more` : ""}.` : "U95 as before, to 0.1°."}`;
      this.busy.textContent = words;
      this.busy.classList.remove("on");
      say(words);
      if (first && !this.antenna) this.antenna = this.firstToDecide();
    }
    if (!this.marks.drag && this.marks.working === null || this.marks.working && this.marks.working.id !== "draft" && !this.marks.timerRuns) this.marks.settled();
    this.render();
    if (first && !this.viewer.keep.size && !start) this.viewer.open(this.photo, this.head());
  }

  askName() {
    return new Promise((done) => {
      const input = h("input", { name: "who", required: true, maxlength: 100, autocomplete: "name", value: who(), size: 30 });
      const dialog = h("dialog", { "aria-labelledby": "who-title" }, h("form", { method: "dialog", onsubmit: () => { setWho(input.value.trim().replace(/\s+/g, " ")); } },
        h("h2", { id: "who-title" }, "Your name"), h("p", {}, "It stands, with the time, beside everything that you mark and decide. You are asked once in this browser."),
        h("p", {}, input), h("div", { class: "row" }, h("button", { class: "main", type: "submit", value: "ok" }, "This is me"), h("button", { type: "button", onclick: () => dialog.close() }, "Cancel"))));
      dialog.addEventListener("close", () => { dialog.remove(); this.renderBar(); done(dialog.returnValue === "ok" && Boolean(who())); });
      document.body.append(dialog);
      dialog.showModal();
      input.focus();
    });
  }

  showKeys() {
    const dialog = h("dialog", { "aria-labelledby": "keys-title" }, h("h2", { id: "keys-title" }, "Keys"), h("table", { class: "keys" }, h("tbody", {}, KEYS.map(([k, w]) => h("tr", {}, h("th", { scope: "row" }, k), h("td", {}, w))))), h("p", {}, h("button", { onclick: () => dialog.close() }, "Close")));
    dialog.addEventListener("close", () => dialog.remove());
    document.body.append(dialog);
    dialog.showModal();
  }

  shortcut(e) {
    if (e.target.closest?.("input, select, textarea, dialog")) return;
    if ((e.ctrlKey || e.metaKey) && !e.altKey && (e.key.toLowerCase() === "z" || e.key.toLowerCase() === "y")) {
      const redo = e.key.toLowerCase() === "y" || e.shiftKey;
      if (redo ? this.data?.redo : this.data?.undo) this.act(redo ? "redo" : "undo");
      e.preventDefault();
    }
    if (e.key === "Escape" && (this.draft || this.tool !== "look")) this.drop();
  }

  pressed(e) {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const keys = {
      "+": () => this.viewer.zoomBy(1.5), "=": () => this.viewer.zoomBy(1.5), "-": () => this.viewer.zoomBy(1 / 1.5),
      0: () => this.viewer.whole(), h: () => this.head() && this.viewer.frame(this.head(), 1), z: () => this.marks.selected && this.nearTo(this.marks.selected, true),
      "[": () => this.openPhoto(this.k - 1), "]": () => this.openPhoto(this.k + 1),
    };
    if (keys[e.key]) {
      e.preventDefault();
      keys[e.key]();
    }
  }
}

const num = (text) => {
  if (text === null || text === undefined || String(text).trim() === "") return null;
  const value = Number(String(text).trim().replace(",", "."));
  return Number.isFinite(value) ? value : null;
};
const centre = (points) => [points.reduce((t, p) => t + p[0], 0) / points.length, points.reduce((t, p) => t + p[1], 0) / points.length];
const bodyOf = ({ kind, name, lat_deg, lon_deg, height_m, azimuth_true_deg, value_deg, u95 }) => ({ kind, name, lat_deg, lon_deg, height_m, azimuth_true_deg, value_deg, u95 });
const chance = (p) => (p == null ? "–" : p > 0.999 ? "more than 99.9 %" : p < 0.001 ? "less than 0.1 %" : `${(100 * p).toFixed(1)} %`);
const proposal = (buttons, done) => (done || !buttons.some(([, , p]) => p) ? null : h("span", { class: "muted" }, "filled: what photoaz proposes"));

/** Photos and reading as intervals, in degrees off the design, with its tolerance. */
function stripOf(a) {
  const d = a.design;
  if (d?.azimuth_true_deg == null) return null;
  const off = (deg) => ((((deg - d.azimuth_true_deg + 180) % 360) + 360) % 360) - 180;
  const rows = [];
  if (a.azimuth_true_deg != null) rows.push(["photos", off(a.azimuth_true_deg), a.u95_deg]);
  if (a.reading) rows.push(["reading", off(a.reading.azimuth_true_deg), a.reading.u95_deg]);
  if (!rows.length) return null;
  const reach = Math.min(Math.max(d.tolerance_deg * 1.4, ...rows.map(([, x, u]) => Math.abs(x) + u)) * 1.06, 185);
  const x = (v) => 262 + (Math.max(Math.min(v, reach), -reach) / reach) * 190;
  const parts = [s("rect", { class: "tolerance", x: x(-d.tolerance_deg), y: 2, width: x(d.tolerance_deg) - x(-d.tolerance_deg), height: 40 }), s("line", { class: "zero", x1: 262, x2: 262, y1: 2, y2: 42 })];
  rows.forEach(([kind, v, u], k) => {
    const y = 13 + 18 * k;
    parts.push(s("text", { class: "mark", x: 0, y: y + 4 }, kind), s("line", { class: kind, x1: x(v - u), x2: x(v + u), y1: y, y2: y }), s("line", { class: kind, x1: x(v - u), x2: x(v - u), y1: y - 4, y2: y + 4 }), s("line", { class: kind, x1: x(v + u), x2: x(v + u), y1: y - 4, y2: y + 4 }), s("circle", { class: kind, cx: x(v), cy: y, r: 3.6 }));
  });
  parts.push(s("text", { class: "mark", x: x(-d.tolerance_deg), y: 54, "text-anchor": "middle" }, `−${d.tolerance_deg}°`), s("text", { class: "mark", x: x(d.tolerance_deg), y: 54, "text-anchor": "middle" }, `+${d.tolerance_deg}°`), s("text", { class: "mark", x: 262, y: 54, "text-anchor": "middle" }, "design"));
  return s("svg", { class: "intervals", viewBox: "0 0 460 58", role: "img", "aria-label": rows.map(([k, v, u]) => `${k} ${signed(v)} ± ${plain(u)}° off the design`).join("; ") }, parts);
}
