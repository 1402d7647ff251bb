// A photo to be looked at from the whole of it to its single pixels: tiles on a canvas, marks in an SVG above it.
//
// Pixel (0, 0) is the middle of the photo's upper left pixel, as everywhere in photoaz.

const MOST_TILES = 180;
const MOST_ZOOM = 40;

export class Viewer {
  /** place: the element; drawn: called after each change of what is seen; failed: with a reason, where no tile comes. */
  constructor(place, { drawn, failed }) {
    this.place = place;
    this.drawn = drawn;
    this.failed = failed;
    this.canvas = document.createElement("canvas");
    this.canvas.setAttribute("aria-hidden", "true");
    place.prepend(this.canvas);
    this.tiles = new Map();
    this.photo = null;
    this.zoom = 1;
    this.x = 0; // of the photo, at the middle of the element
    this.y = 0;
    this.pointers = new Map();
    this.keep = new Map(); // what was seen of each photo
    new ResizeObserver(() => this.draw()).observe(place);
    place.addEventListener("wheel", (e) => this.wheel(e), { passive: false });
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.draw());
  }

  open(photo, region) {
    if (this.photo) this.keep.set(this.photo.digest, [this.zoom, this.x, this.y]);
    this.photo = photo;
    this.failing = false;
    const before = photo && this.keep.get(photo.digest);
    if (before) [this.zoom, this.x, this.y] = before;
    else if (photo) region ? this.frame(region) : this.whole();
    this.draw();
  }

  get box() {
    return { width: this.place.clientWidth, height: this.place.clientHeight };
  }
  least() {
    const { width, height } = this.box;
    const { width_px, height_px } = this.photo.size;
    return Math.min(width / width_px, height / height_px, 1) || 0.01;
  }

  whole() {
    if (!this.photo) return;
    this.zoom = this.least();
    this.x = this.photo.size.width_px / 2 - 0.5;
    this.y = this.photo.size.height_px / 2 - 0.5;
    this.draw();
  }

  /** Show a part (x0, y0, x1, y1), with some room about it. */
  frame([x0, y0, x1, y1], room = 1.25) {
    const { width, height } = this.box;
    const zoom = Math.min(width / ((x1 - x0) * room || 1), height / ((y1 - y0) * room || 1));
    this.zoom = Math.min(Math.max(zoom, this.least()), 12);
    this.x = (x0 + x1) / 2;
    this.y = (y0 + y1) / 2;
    this.draw();
  }

  toScreen([x, y]) {
    const { width, height } = this.box;
    return [(x - this.x) * this.zoom + width / 2, (y - this.y) * this.zoom + height / 2];
  }

  toPhoto(x, y) {
    const { width, height } = this.box;
    return [(x - width / 2) / this.zoom + this.x, (y - height / 2) / this.zoom + this.y];
  }

  at(event) {
    const r = this.place.getBoundingClientRect();
    return this.toPhoto(event.clientX - r.left, event.clientY - r.top);
  }

  zoomBy(factor, about = null) {
    if (!this.photo) return;
    const { width, height } = this.box;
    const [sx, sy] = about || [width / 2, height / 2];
    const [px, py] = this.toPhoto(sx, sy);
    this.zoom = Math.min(Math.max(this.zoom * factor, this.least()), MOST_ZOOM);
    this.x = px - (sx - width / 2) / this.zoom;
    this.y = py - (sy - height / 2) / this.zoom;
    this.hold();
    this.draw();
  }

  pan(dx, dy) {
    this.x -= dx / this.zoom;
    this.y -= dy / this.zoom;
    this.hold();
    this.draw();
  }

  /** The photo's middle part never leaves the window. */
  hold() {
    const { width_px, height_px } = this.photo.size;
    this.x = Math.min(Math.max(this.x, 0), width_px);
    this.y = Math.min(Math.max(this.y, 0), height_px);
  }

  wheel(e) {
    if (!this.photo) return;
    e.preventDefault();
    const r = this.place.getBoundingClientRect();
    const step = e.deltaMode === 1 ? 30 : 1;
    this.zoomBy(Math.exp(-e.deltaY * step * 0.0022), [e.clientX - r.left, e.clientY - r.top]);
  }

  /** Fingers and mouse on the ground between the marks: one moves the photo, two make it larger. */
  press(e) {
    this.pointers.set(e.pointerId, [e.clientX, e.clientY]);
    this.place.setPointerCapture(e.pointerId);
  }

  move(e) {
    if (!this.pointers.has(e.pointerId) || !this.photo) return false;
    const before = [...this.pointers.values()];
    const [x, y] = this.pointers.get(e.pointerId);
    this.pointers.set(e.pointerId, [e.clientX, e.clientY]);
    const after = [...this.pointers.values()];
    if (before.length === 1) {
      this.pan(e.clientX - x, e.clientY - y);
    } else if (before.length === 2) {
      const apart = (p) => Math.hypot(p[0][0] - p[1][0], p[0][1] - p[1][1]) || 1;
      const middle = (p) => [(p[0][0] + p[1][0]) / 2, (p[0][1] + p[1][1]) / 2];
      const [m0, m1] = [middle(before), middle(after)];
      const r = this.place.getBoundingClientRect();
      this.pan(m1[0] - m0[0], m1[1] - m0[1]);
      this.zoomBy(apart(after) / apart(before), [m1[0] - r.left, m1[1] - r.top]);
    }
    return true;
  }

  lift(e) {
    return this.pointers.delete(e.pointerId);
  }

  draw() {
    if (this.waiting) return;
    this.waiting = requestAnimationFrame(() => {
      this.waiting = null;
      this.paint();
      this.drawn();
    });
  }

  paint() {
    const { width, height } = this.box;
    const dense = Math.min(window.devicePixelRatio || 1, 2);
    const [w, hh] = [Math.round(width * dense), Math.round(height * dense)];
    if (this.canvas.width !== w || this.canvas.height !== hh) [this.canvas.width, this.canvas.height] = [w, hh];
    const g = this.canvas.getContext("2d");
    g.setTransform(1, 0, 0, 1, 0, 0);
    g.clearRect(0, 0, w, hh);
    if (!this.photo || !this.photo.size) return;
    g.setTransform(dense, 0, 0, dense, 0, 0);
    g.imageSmoothingEnabled = this.zoom * dense < 3;
    const { levels } = this.photo.size;
    const level = Math.min(Math.max(Math.floor(Math.log2(1 / (this.zoom * dense))), 0), levels - 1);
    for (let k = levels - 1; k >= level; k--) this.paintLevel(g, k, k === level || k === levels - 1, width, height);
  }

  paintLevel(g, level, load, width, height) {
    const { width_px, height_px, tile_px } = this.photo.size;
    const side = tile_px * 2 ** level;
    const [x0, y0] = this.toPhoto(0, 0),
      [x1, y1] = this.toPhoto(width, height);
    const cols = Math.ceil(width_px / side),
      rows = Math.ceil(height_px / side);
    for (
      let j = Math.max(Math.floor((y0 + 0.5) / side), 0);
      j < Math.min(Math.floor((y1 + 0.5) / side) + 1, rows);
      j++
    ) {
      for (
        let i = Math.max(Math.floor((x0 + 0.5) / side), 0);
        i < Math.min(Math.floor((x1 + 0.5) / side) + 1, cols);
        i++
      ) {
        const image = this.tile(level, i, j, load);
        if (!image) continue;
        const [sx, sy] = this.toScreen([i * side - 0.5, j * side - 0.5]);
        g.drawImage(
          image,
          sx,
          sy,
          image.naturalWidth * 2 ** level * this.zoom,
          image.naturalHeight * 2 ** level * this.zoom,
        );
      }
    }
  }

  tile(level, i, j, load) {
    const url = `/tile/${this.photo.digest}/${level}/${i}/${j}.jpg`;
    const known = this.tiles.get(url);
    if (known) {
      this.tiles.delete(url);
      this.tiles.set(url, known);
      return known.ready ? known.image : null;
    }
    if (!load) return null;
    const one = { image: new Image(), ready: false };
    this.tiles.set(url, one);
    while (this.tiles.size > MOST_TILES) this.tiles.delete(this.tiles.keys().next().value);
    const { digest } = this.photo;
    one.image.decoding = "async";
    one.image.src = url;
    one.image.decode().then(
      () => {
        one.ready = true;
        this.draw();
      },
      () => {
        this.tiles.delete(url);
        if (this.photo && this.photo.digest === digest && !this.failing) {
          this.failing = true;
          this.failed(url);
        }
      },
    );
    return null;
  }

  /** A magnified piece about a point of the photo, for the loupe. */
  loupe(canvas, [x, y], zoom) {
    const g = canvas.getContext("2d");
    const [w, hh] = [canvas.width, canvas.height];
    g.setTransform(1, 0, 0, 1, 0, 0);
    g.fillStyle = "#777";
    g.fillRect(0, 0, w, hh);
    if (!this.photo) return;
    g.imageSmoothingEnabled = false;
    const { levels, tile_px, width_px, height_px } = this.photo.size;
    for (let level = levels - 1; level >= 0; level--) {
      const side = tile_px * 2 ** level;
      const reach = [w / 2 / zoom, hh / 2 / zoom];
      for (let j = Math.max(Math.floor((y - reach[1]) / side), 0); j * side < Math.min(y + reach[1], height_px); j++) {
        for (let i = Math.max(Math.floor((x - reach[0]) / side), 0); i * side < Math.min(x + reach[0], width_px); i++) {
          const image = this.tile(level, i, j, level === 0);
          if (!image) continue;
          g.drawImage(
            image,
            (i * side - 0.5 - x) * zoom + w / 2,
            (j * side - 0.5 - y) * zoom + hh / 2,
            image.naturalWidth * 2 ** level * zoom,
            image.naturalHeight * 2 ** level * zoom,
          );
        }
      }
    }
  }
}
