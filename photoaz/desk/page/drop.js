// The page on which photos are dropped: what each knows, the panels found in it, "this one", a short form, the answer.

import { get, post, send, wrong } from "./api.js";
import { h, s, say, show } from "./dom.js";
import { drawAnswer } from "./dropanswer.js";
import { drawForm } from "./dropform.js";
import { drawDropMap } from "./dropmap.js";
import { drawFacts, drawPick, drawThumbs, marksOf } from "./dropphoto.js";
import { magnify, showLoupe } from "./loupe.js";
import { Marks } from "./marks.js";
import { Viewer } from "./viewer.js";

/** The parts of the page by name, in the order in which they are drawn. */
const PARTS = {
  thumbs: drawThumbs,
  marks: (page) => page.marks.set(marksOf(page)),
  pick: drawPick,
  facts: drawFacts,
  form: drawForm,
  map: drawDropMap,
  answer: drawAnswer,
};

const NEW_ANTENNA = { design_north: "true", reading_north: "magnetic", tolerance_deg: "5" };
const TABLE = /\.(csv|tsv|txt|xlsx|xlsm)$/i;

/**
 * data: what the desk tells (photos, sites of a register). form: what is typed, as `desk/form.py` has it. panels: found in
 * each photo, by digest. places: what typed places were read as. index: of the photo that is open. antenna: number of
 * the one that is looked at. result: the answer, null before there is one. faults: of the form. decisions: by antenna.
 */
export class DropPage {
  constructor(place) {
    Object.assign(this, { place, index: 0, antenna: 0, result: null, faults: [], decisions: [], tool: "look" });
    Object.assign(this, { panels: new Map(), places: new Map(), waiting: 0, note: "", setting: "tower", zoom: 1 });
  }

  close() {
    this.closed = true;
  }

  async open(data) {
    this.data = data;
    this.form = data.form;
    if (!this.form.antennas.length) this.form.antennas = [{ antenna_id: "A1", ...NEW_ANTENNA }];
    if (data.sites && !this.form.register) this.useRegister(true);
    this.frame();
    await Promise.all(Object.values(this.form.photos).map((p) => this.readPlace(p.place)));
    await this.readPlace(this.form.tower);
    this.openPhoto(0);
  }

  get photo() {
    return this.data.photos[this.index] ?? null;
  }

  /** What is typed of a photo. */
  of(photo = this.photo) {
    this.form.photos[photo.digest] ??= { place: "", u_m: "", picks: [], left_out: false };
    return this.form.photos[photo.digest];
  }

  /** The register's site that is chosen, null where none is. */
  get site() {
    return (this.form.register && this.data.sites?.find((x) => x.site_id === this.form.site_id)) || null;
  }

  /** Names of the antennas, typed or of the register. */
  get names() {
    return this.site
      ? this.site.antennas.map((a) => a.antenna_id)
      : this.form.antennas.map((a, k) => a.antenna_id || `antenna ${k + 1}`);
  }

  get name() {
    return this.names[Math.min(this.antenna, this.names.length - 1)];
  }

  found(id) {
    return this.result?.antennas.find((a) => a.antenna_id === id) ?? null;
  }

  /** Where a photo was taken from: as typed, else by its metadata; null where nobody knows. */
  standpoint(photo = this.photo) {
    const typed = this.places.get(this.of(photo).place);
    return typed?.lat_deg != null ? typed : photo.position;
  }

  tower() {
    const typed = this.places.get(this.form.tower);
    return this.site ?? (typed?.lat_deg != null ? typed : null);
  }

  // What is done

  /** Send files one after the other; what is no photo or register says so, and the others go on. */
  async take(files) {
    this.refused = [];
    const before = this.data.photos.length;
    for (const [k, file] of [...files].entries()) {
      const table = TABLE.test(file.name);
      this.status(`Sending ${file.name} (${k + 1} of ${files.length})…`);
      try {
        this.data = await send(table ? "/api/register" : "/api/photo", { name: file.name }, file);
        if (table) this.useRegister(true);
      } catch (error) {
        this.refused.push(`${file.name}: ${error.message}`);
      }
    }
    this.status("");
    if (this.form.register) this.chooseSite();
    this.openPhoto(this.data.photos.length > before ? before : this.index);
    this.save();
  }

  status(text) {
    this.statusBox.textContent = text;
  }

  useRegister(on) {
    this.form.register = on;
    this.antenna = 0;
    if (on) this.chooseSite();
  }

  /** The likeliest site of the register, unless one is chosen already. */
  chooseSite() {
    if (!this.site && this.data.sites?.length) this.form.site_id = this.data.sites[0].site_id;
  }

  async remove(photo) {
    try {
      this.data = await post("/api/remove", {}, { digest: photo.digest });
      delete this.form.photos[photo.digest];
      this.openPhoto(Math.min(this.index, this.data.photos.length - 1));
    } catch (error) {
      wrong(error);
    }
  }

  async dropRegister() {
    try {
      this.data = await post("/api/remove", {}, { register: true });
      this.useRegister(false);
      this.form.site_id = "";
      this.changed("form", "map", "pick", "marks");
    } catch (error) {
      wrong(error);
    }
  }

  openPhoto(k) {
    this.marks.flush();
    this.index = Math.max(k, 0);
    this.tool = "look";
    this.marks.selected = null;
    this.startBox.classList.toggle("small", this.data.photos.length > 0);
    this.workBox.hidden = !this.data.photos.length;
    if (this.photo) {
      this.viewer.open(this.photo, null);
      this.findPanels(this.photo);
    }
    this.redraw();
  }

  async findPanels(photo) {
    if (this.panels.has(photo.digest)) return;
    this.panels.set(photo.digest, null);
    try {
      const { panels } = await get("/api/panels", { photo: photo.digest });
      this.panels.set(photo.digest, panels);
      say(`${panels.length} panels found in ${photo.label}.`);
    } catch (error) {
      this.panels.set(photo.digest, []);
      wrong(error);
    }
    if (this.photo === photo && this.data.photos.includes(photo)) {
      if (!this.looked) this.nearPanels();
      this.redraw("marks", "pick");
    }
  }

  /** Come so near that the panels can be told apart. */
  nearPanels() {
    const points = (this.panels.get(this.photo.digest) || []).flatMap((p) => p.corners_px);
    if (!points.length) return;
    const xs = points.map((p) => p[0]),
      ys = points.map((p) => p[1]);
    const room = 0.35 * Math.max(Math.max(...xs) - Math.min(...xs), Math.max(...ys) - Math.min(...ys), 40);
    this.viewer.frame([Math.min(...xs) - room, Math.min(...ys) - room, Math.max(...xs) + room, Math.max(...ys) + room], 1);
  }

  /** The mark of an antenna in a photo. */
  pick(id = this.name, photo = this.photo) {
    return this.of(photo).picks.find((p) => p.antenna_id === id) ?? null;
  }

  setPick(pick) {
    const of = this.of();
    // one antenna has one place in a photo, and one panel is one antenna
    of.picks = of.picks.filter(
      (p) => p.antenna_id !== this.name && !(pick && pick.panel != null && p.panel === pick.panel),
    );
    if (pick) of.picks.push({ antenna_id: this.name, ...pick });
    if (!this.form.seen_from) this.form.seen_from = this.photo.digest;
    this.changed("marks", "pick", "map", "thumbs", "answer");
  }

  /** "This one": a panel that was found is the antenna that is looked at. */
  thisOne(k) {
    const panel = this.panels.get(this.photo.digest)[k];
    const middle = [0, 1].map((i) => panel.corners_px.reduce((t, p) => t + p[i], 0) / panel.corners_px.length);
    this.setPick({ seed_px: middle.map((v) => Math.round(v * 10) / 10), view: panel.view, panel: k });
  }

  /** A box where somebody clicked, to be dragged right. */
  placeBox([x, y]) {
    const seen = (this.panels.get(this.photo.digest) || [])[0]?.width_px;
    const w = seen ?? Math.max(0.012 * this.photo.size.width_px, 40 / this.viewer.zoom);
    const at = (dx, dy) => [x + dx * w, y + dy * w].map((v) => Math.round(v * 10) / 10);
    this.tool = "look";
    const corners_px = [at(-0.5, -2.5), at(0.5, -2.5), at(0.5, 2.5), at(-0.5, 2.5)];
    this.setPick({ corners_px, view: "front" });
    this.marks.selected = `box:${this.name}`;
    this.redraw("marks", "pick");
  }

  async readPlace(text) {
    const key = (text ?? "").trim();
    if (!key || this.places.has(key)) return;
    try {
      this.places.set(key, await post("/api/place", {}, { text: key }));
    } catch (error) {
      this.places.set(key, { lat_deg: null, problem: error.message });
    }
  }

  /** Something typed has changed: show what follows from it, and keep it. */
  changed(...names) {
    if (this.result) this.stale = true;
    if (names.length) this.redraw(...names);
    this.save();
  }

  save() {
    clearTimeout(this.saving);
    this.saving = setTimeout(() => post("/api/form", {}, this.form).catch(() => {}), 500);
  }

  async measure() {
    clearTimeout(this.saving);
    this.faults = [];
    try {
      const { ticket, faults } = await post("/api/measure", {}, this.form);
      this.faults = faults;
      if (!ticket) {
        this.redraw("form", "answer");
        this.formBox.querySelector(".trouble")?.scrollIntoView({ block: "center" });
        return;
      }
      await this.follow(ticket);
    } catch (error) {
      wrong(error);
      this.solving = false;
      this.redraw("form", "answer");
    }
  }

  async follow(ticket) {
    Object.assign(this, { ticket, solving: true, stale: false, failed: null });
    this.redraw("form", "answer");
    this.answerBox.scrollIntoView({ block: "nearest" });
    for (;;) {
      const answer = await get("/api/solved", { ticket });
      if (this.closed || this.ticket !== ticket) return;
      if (answer.solving) continue;
      Object.assign(this, { solving: false, failed: answer.error, solvedSite: answer.site });
      if (answer.document) {
        this.result = answer.document;
        this.decisions = [];
      }
      say(answer.error ?? "Measured.", answer.error ? "wrong" : "unseen");
      this.redraw();
      this.answerBox.scrollIntoView({ block: "nearest" });
      return;
    }
  }

  async decide(id, verdict, who) {
    try {
      const said = { antenna_id: id, verdict, note: this.note.trim(), who };
      this.decisions = (await post("/api/decide", {}, said)).decisions;
      this.redraw("answer");
      say("Noted: it stands on the sheet.");
    } catch (error) {
      wrong(error);
    }
  }

  // The page

  redraw(...names) {
    const open = this.photo !== null;
    for (const name of names.length ? new Set(names) : Object.keys(PARTS)) if (open || name === "thumbs") PARTS[name](this);
  }

  frame() {
    const section = (cls, label) => h("section", { class: cls, "aria-label": label });
    this.startBox = section("start", "Photos to look at");
    this.statusBox = h("p", { class: "sending", role: "status" });
    this.thumbsBox = h("nav", { class: "strip", "aria-label": "Photos" });
    const svg = s("svg", { class: "over", "aria-label": "Panels" });
    this.glass = h("canvas", { class: "glass", width: 208, height: 208, hidden: true, "aria-hidden": "true" });
    this.photoBox = h(
      "div",
      { class: "viewer", tabindex: 0, role: "application", "aria-roledescription": "photo", "aria-label": "Photo", "data-key": "viewer" },
      svg,
      this.glass,
    );
    this.pickBox = section("panel", "The antenna in this photo");
    this.factsBox = section("about", "What this photo knows");
    this.formBox = section("dropform", "What is known of the antenna");
    this.mapBox = section("planbox", "Map");
    this.answerBox = section("answer", "Answer");
    this.workBox = h(
      "div",
      { class: "desk", hidden: true },
      h("div", { class: "left" }, this.thumbsBox, this.pickBox, this.photoBox, this.factsBox),
      h("div", { class: "right" }, this.answerBox, this.formBox, this.mapBox),
    );
    show(this.place, this.head(), this.startBox, this.statusBox, this.workBox);
    this.drawStart();
    this.viewer = new Viewer(this.photoBox, {
      drawn: () => {
        this.marks.draw();
        if (this.glass.dataset.on) magnify(this);
      },
      failed: () => say("This photo cannot be shown: its file is damaged, or the desk is gone.", "wrong"),
    });
    this.marks = new Marks(this.viewer, svg, {
      select: (id) => {
        this.looked = true;
        if (id?.startsWith("panel:")) this.thisOne(Number(id.slice(6)));
        this.marks.selected = id;
        this.redraw("marks", "pick");
      },
      changed: (_id, points) => {
        this.setPick({ ...this.pick(), corners_px: points });
        this.marks.settled();
      },
      placed: (point) => this.placeBox(point),
      loupe: (point, points) => showLoupe(this, point, points),
      pressed: (e) => {
        const keys = { "+": 1.5, "=": 1.5, "-": 1 / 1.5 };
        if (keys[e.key]) this.viewer.zoomBy(keys[e.key]);
        if (e.key === "0") this.viewer.whole();
      },
    });
  }

  head() {
    return h(
      "header",
      { class: "top" },
      h("div", {}, h("p", { class: "kind" }, "Desk"), h("h1", { tabindex: -1 }, "Check an antenna from a photo")),
      h("a", { href: "/manual.html", target: "_blank" }, "Manual"),
    );
  }

  drawStart() {
    const input = h("input", {
      type: "file",
      multiple: true,
      hidden: true,
      "data-key": "files",
      accept: "image/*,.heic,.heif,.dng,.tif,.tiff,.csv,.xlsx",
      onchange: () => {
        this.take([...input.files]);
        input.value = "";
      },
    });
    show(
      this.startBox,
      h("p", { class: "lead" }, "Drop photos of the tower here, and a register (CSV, XLSX) if there is one."),
      h("p", {}, h("button", { class: "main", "data-key": "choose", onclick: () => input.click() }, "Choose photos…"), input),
      h(
        "ol",
        { class: "phone steps" },
        ["Photos: what each knows and lacks is said at once.", "“This one”: click the antenna among the panels that are found.", "How high it hangs, where it should point, what the instrument read.", "The answer, with its uncertainty; sign it, print it, take it along."].map((t) =>
          h("li", {}, t),
        ),
      ),
      h(
        "p",
        { class: "muted phone" },
        "From a phone: browsers often take the place out of photos that are picked from the gallery. Pick them as files, or say below where you stood.",
        this.data.address ? h("span", {}, " A phone in this network opens ", h("b", {}, this.data.address)) : null,
      ),
      h("p", { class: "muted phone" }, "Nothing leaves this machine: photos and answers stay in ", h("span", { class: "folder" }, this.data.folder), "."),
    );
    for (const kind of ["dragover", "drop"])
      this.place.addEventListener(kind, (e) => {
        if (![...e.dataTransfer.types].includes("Files")) return;
        e.preventDefault();
        this.startBox.classList.toggle("over", kind === "dragover");
        if (kind === "drop") this.take([...e.dataTransfer.files]);
      });
    this.place.addEventListener("dragleave", () => this.startBox.classList.remove("over"));
  }
}
