"use strict";
(function () {
  var root = document.documentElement;
  root.classList.add("on");
  var PAGE = 1000, CROWD = 5000;
  var STATES = ["out", "reading", "undecided", "unseen", "ok"];
  var table = document.getElementById("table");
  if (!table) return;
  var body = table.tBodies[0], form = document.getElementById("filter");
  var says = document.getElementById("shown"), more = document.getElementById("more");
  var heads = Array.prototype.slice.call(table.tHead.rows[0].cells);
  var all = null, kept = null, limit = PAGE, sorted = { column: -1, down: false };

  // rows are read when they are first needed: opening the page costs nothing for them
  function sites() {
    if (all) return all;
    var rows = Array.prototype.slice.call(body.rows);
    var rest = document.getElementById("more-rows");
    if (rest) {
      // markup that was escaped when the page was made, like the rows above it; kept as text so far, since parsing takes time
      var parsed = document.createElement("template");
      parsed.innerHTML = "<table><tbody>" + rest.textContent + "</tbody></table>";
      rows = rows.concat(Array.prototype.slice.call(parsed.content.querySelectorAll("tr")));
    }
    all = rows.map(function (tr, k) {
      var at = tr.dataset.at ? tr.dataset.at.split(" ").map(Number) : null;
      return { tr: tr, k: k, state: tr.dataset.s, causes: tr.dataset.c ? tr.dataset.c.split(" ") : [], at: at, text: null, on: true };
    });
    return all;
  }
  function named(s) { return s.tr.cells[0].querySelector("a").textContent; }
  function text(s) {
    if (s.text === null) s.text = s.tr.textContent.toLowerCase();
    return s.text;
  }
  function wanted() {
    var words = form.elements.q.value.toLowerCase().split(/\s+/).filter(Boolean);
    var state = form.elements.state.value, cause = form.elements.cause.value;
    return function (s) {
      if (state && s.state !== state) return false;
      if (cause === "none" ? s.causes.length : cause && s.causes.indexOf(cause) < 0) return false;
      for (var i = 0; i < words.length; i++) if (text(s).indexOf(words[i]) < 0) return false;
      return true;
    };
  }
  function order(list) {
    if (sorted.column < 0) return list;
    var kind = heads[sorted.column].dataset.k, turn = sorted.down ? -1 : 1;
    var keyed = list.map(function (s) {
      var said = s.tr.cells[sorted.column].textContent, value;
      if (kind === "state") value = STATES.indexOf(s.state);
      else if (kind === "number") value = parseFloat(said.replace(/[\u202f\u00a0]/g, "").replace("\u2212", "-"));
      else value = said;
      return { s: s, v: value };
    });
    var collator = new Intl.Collator("en", { numeric: true });
    keyed.sort(function (a, b) {
      var c;
      if (kind === "text") {
        if (!a.v !== !b.v) return a.v ? -1 : 1;
        c = collator.compare(a.v, b.v);
      } else {
        if (isNaN(a.v) !== isNaN(b.v)) return isNaN(a.v) ? 1 : -1;  // not known comes last either way
        c = isNaN(a.v) ? 0 : a.v - b.v;
      }
      return turn * c || a.s.k - b.s.k;
    });
    return keyed.map(function (o) { return o.s; });
  }
  function show() {
    var piece = document.createDocumentFragment(), n = Math.min(limit, kept.length);
    for (var i = 0; i < n; i++) piece.appendChild(kept[i].tr);
    body.replaceChildren(piece);
    more.hidden = n >= kept.length;
    var total = sites().length;
    says.textContent = kept.length === total ? total + (total === 1 ? " site" : " sites") : kept.length + " of " + total + " sites";
    if (n < kept.length) says.textContent += ", the first " + n + " shown";
  }
  function apply(keepLimit) {
    var test = wanted(), list = [];
    sites().forEach(function (s) { s.on = test(s); if (s.on) list.push(s); });
    kept = order(list);
    if (!keepLimit) limit = PAGE;
    show();
    heads.forEach(function (th, k) {
      if (k === sorted.column) th.setAttribute("aria-sort", sorted.down ? "descending" : "ascending");
      else th.removeAttribute("aria-sort");
    });
    if (map) map.draw();
  }

  // ---- the filter in the address, so that a site's page leads back to it
  function stated() {
    var p = new URLSearchParams();
    ["q", "state", "cause"].forEach(function (n) { if (form.elements[n].value) p.set(n, form.elements[n].value); });
    if (sorted.column >= 0) p.set("sort", sorted.column + (sorted.down ? "d" : "u"));
    return p.toString();
  }
  function remember() {
    var state = stated();
    try { history.replaceState(null, "", state ? "#" + state : location.pathname.split("/").pop() || "#"); } catch (e) { /* then without */ }
  }
  function recall() {
    var p = new URLSearchParams(location.hash.slice(1));
    if (!["q", "state", "cause", "sort"].some(function (n) { return p.has(n); })) return false;
    form.elements.q.value = p.get("q") || "";
    ["state", "cause"].forEach(function (n) {
      form.elements[n].value = p.get(n) || "";
      if (form.elements[n].selectedIndex < 0) form.elements[n].value = "";
    });
    var s = /^(\d+)([ud])$/.exec(p.get("sort") || "");
    sorted = s && +s[1] < heads.length ? { column: +s[1], down: s[2] === "d" } : { column: -1, down: false };
    return true;
  }
  function changed() { apply(false); remember(); }

  var waiting = 0;
  form.addEventListener("input", function () { clearTimeout(waiting); waiting = setTimeout(changed, 90); });
  form.addEventListener("submit", function (e) { e.preventDefault(); changed(); });
  form.addEventListener("reset", function () {
    sorted = { column: -1, down: false };
    setTimeout(changed, 0);
  });
  more.addEventListener("click", function () { limit += PAGE; if (!kept) apply(true); else show(); });
  heads.forEach(function (th, k) {
    var b = document.createElement("button");
    b.type = "button";
    while (th.firstChild) b.appendChild(th.firstChild);
    th.appendChild(b);
    b.addEventListener("click", function () {
      // figures from the largest first, words from A
      var first = th.dataset.k === "number";
      sorted = { column: k, down: sorted.column === k ? !sorted.down : first };
      changed();
    });
  });
  function carry(e) {
    var a = e.target.closest && e.target.closest("a[href^='sites/']");
    if (!a) return;
    var state = stated();
    a.setAttribute("href", a.getAttribute("href").split("#")[0] + (state ? "#back=" + encodeURIComponent(state) : ""));
  }
  document.addEventListener("mousedown", carry, true);
  document.addEventListener("click", carry, true);

  // ---- the map
  var map = document.getElementById("map") ? drawn(document.getElementById("map")) : null;
  function drawn(svg) {
    var W = 1000, H = 520, scale = +svg.dataset.scale, note = svg.dataset.note;
    var pins = {}, names = document.getElementById("pin-names"), ring = document.getElementById("ring");
    var bar = document.getElementById("bar"), barName = document.getElementById("bar-name"), tell = document.getElementById("map-says");
    svg.querySelectorAll("#pins path").forEach(function (p) { pins[p.dataset.s] = p; });
    var ghost = document.createElementNS(svg.namespaceURI, "path");
    ghost.setAttribute("class", "pin unseen faint");
    svg.querySelector("#pins").prepend(ghost);
    var view = { x: W / 2, y: H / 2, z: 1 }, asked = false, near = null;
    svg.setAttribute("tabindex", "0");
    var ground = { lat: +svg.dataset.lat, lon: +svg.dataset.lon, up: +svg.dataset.up, right: +svg.dataset.right };
    var grid = document.getElementById("grid"), gridNames = document.getElementById("grid-names");
    // letters of 11 pixels at least, and marks to match, however narrow the window is
    var letter = 14, size = 5.2;
    function fit() {
      var k = W / (svg.getBoundingClientRect().width || W);
      letter = Math.max(14, 11.5 * k);
      size = Math.max(5.2, 3.4 * k);
      svg.style.setProperty("--letter", letter + "px");
    }

    function f(v) { return v.toFixed(1); }
    function mark(s, x, y, r) {
      if (s === "out") return "M" + f(x) + " " + f(y - 1.2 * r) + "l" + f(1.15 * r) + " " + f(2 * r) + "h" + f(-2.3 * r) + "z";
      if (s === "reading") { var a = f(1.25 * r), b = f(-1.25 * r); return "M" + f(x) + " " + f(y - 1.25 * r) + "l" + a + " " + a + " " + b + " " + a + " " + b + " " + b + "z"; }
      if (s === "undecided") return "M" + f(x - 0.9 * r) + " " + f(y - 0.9 * r) + "h" + f(1.8 * r) + "v" + f(1.8 * r) + "h" + f(-1.8 * r) + "z";
      if (s === "unseen") { var d = 0.8 * r; return "M" + f(x - d) + " " + f(y - d) + "l" + f(2 * d) + " " + f(2 * d) + "M" + f(x - d) + " " + f(y + d) + "l" + f(2 * d) + " " + f(-2 * d); }
      var o = 0.85 * r;
      return "M" + f(x - o) + " " + f(y) + "a" + f(o) + " " + f(o) + " 0 1 0 " + f(2 * o) + " 0a" + f(o) + " " + f(o) + " 0 1 0 " + f(-2 * o) + " 0z";
    }
    function place(s) { return [W / 2 + (s.at[0] - view.x) * view.z, H / 2 + (s.at[1] - view.y) * view.z]; }
    function inView() {
      var out = [];
      sites().forEach(function (s) {
        if (!s.at) return;
        var p = place(s);
        if (p[0] >= -8 && p[0] <= W + 8 && p[1] >= -8 && p[1] <= H + 8) out.push([s, p[0], p[1]]);
      });
      return out;
    }
    function paint() {
      asked = false;
      fit();
      lines();
      var seen = inView(), thin = seen.length > CROWD, cells = {}, data = {}, faint = "";
      STATES.forEach(function (s) { data[s] = ""; });
      seen.forEach(function (o) {
        if (thin) {
          var key = (o[0].on ? o[0].state : "") + (o[1] / 5 | 0) + "," + (o[2] / 5 | 0);
          if (cells[key]) return;
          cells[key] = 1;
        }
        if (o[0].on) data[o[0].state] += mark(o[0].state, o[1], o[2], size);
        else faint += mark("unseen", o[1], o[2], 0.6 * size);
      });
      STATES.forEach(function (s) { if (pins[s]) pins[s].setAttribute("d", data[s]); });
      ghost.setAttribute("d", faint);
      label(seen.filter(function (o) { return o[0].on; }));
      var power, best = 1, most = 180 / (scale * view.z);
      if (most > 0) {
        power = Math.pow(10, Math.floor(Math.log10(most)));
        [1, 2, 5].forEach(function (k) { if (k * power <= most * (1 + 1e-9)) best = k * power; });
      }
      bar.setAttribute("d", "M16 " + (H - 21) + "v6h" + f(best * scale * view.z) + "v-6");
      barName.textContent = (best >= 1000 ? best / 1000 + " km" : +best.toPrecision(1) + " m") + note;
      point(null);
    }
    function step(units) {
      var least = 110 * (letter / 14) / units, power = Math.pow(10, Math.floor(Math.log10(least)));
      return [1, 2, 5, 10].filter(function (k) { return k * power >= least * (1 - 1e-9); })[0] * power;
    }
    function degrees(value, by, plus, minus) {
      return Math.abs(value).toFixed(Math.max(0, -Math.floor(Math.log10(by) + 1e-9))) + "° " + (value >= 0 ? plus : minus);
    }
    function lines() {
      var up = ground.up * view.z, right = ground.right * view.z, d = "", k, v;
      var lat = ground.lat - (view.y - H / 2) / ground.up, lon = ground.lon + (view.x - W / 2) / ground.right;
      gridNames.replaceChildren();
      function name(x, y, anchor, said) {
        var t = document.createElementNS(svg.namespaceURI, "text");
        t.setAttribute("class", "mark halo");
        t.setAttribute("x", f(x));
        t.setAttribute("y", f(y));
        t.setAttribute("text-anchor", anchor);
        t.textContent = said;
        gridNames.appendChild(t);
      }
      var by = step(up);
      for (k = Math.ceil(Math.max(lat - H / 2 / up, -90) / by); k <= Math.floor(Math.min(lat + H / 2 / up, 90) / by); k++) {
        v = H / 2 - (k * by - lat) * up;
        d += "M0 " + f(v) + "H" + W;
        if (v > 80 && v < H - 30) name(W - 6, v - 4, "end", degrees(k * by, by, "N", "S"));
      }
      by = step(right);
      for (k = Math.ceil((lon - W / 2 / right) / by); k <= Math.floor((lon + W / 2 / right) / by); k++) {
        v = W / 2 + (k * by - lon) * right;
        d += "M" + f(v) + " 0V" + H;
        if (v > 260 && v < W - 120) name(v + 4, H - 8, "start", degrees(((k * by + 180) % 360 + 360) % 360 - 180, by, "E", "W"));
      }
      grid.setAttribute("d", d);
    }
    function label(seen) {
      names.replaceChildren();
      if (seen.length > 40) return;
      var taken = [];
      seen.forEach(function (o) {
        var name = named(o[0]), x = o[1], y = o[2];
        var most = letter > 14 ? 12 : 22;  // large letters: as wide as they may be
        if (name.length > most) name = name.slice(0, most - 1) + "…";
        var wide = (letter > 14 ? 0.95 : 0.6) * letter * name.length, right = x + 10 + wide < W, left = right ? x + 10 : x - 10 - wide;
        if (taken.some(function (t) { return Math.abs(y - t[2]) < 16 * letter / 14 && left < t[1] && t[0] < left + wide; })) return;
        taken.push([left, left + wide, y]);
        var t = document.createElementNS(svg.namespaceURI, "text");
        t.setAttribute("class", "name halo");
        t.setAttribute("x", f(x + (right ? 10 : -10)));
        t.setAttribute("y", f(y + 5));
        t.setAttribute("text-anchor", right ? "start" : "end");
        t.textContent = name;
        names.appendChild(t);
      });
    }
    function draw() { if (!asked) { asked = true; requestAnimationFrame(paint); } }
    function zoom(by, x, y) {
      var z = Math.min(Math.max(view.z * by, 0.02), 20000);
      if (x === undefined) { x = W / 2; y = H / 2; }
      view.x += (x - W / 2) * (1 / view.z - 1 / z);
      view.y += (y - H / 2) * (1 / view.z - 1 / z);
      view.z = z;
      draw();
    }
    function move(dx, dy) { view.x += dx / view.z; view.y += dy / view.z; draw(); }
    function whole() { view = { x: W / 2, y: H / 2, z: 1 }; draw(); }
    var acts = {
      "in": function () { zoom(1.6); }, out: function () { zoom(1 / 1.6); }, whole: whole,
      left: function () { move(-120, 0); }, right: function () { move(120, 0); }, up: function () { move(0, -90); }, down: function () { move(0, 90); }
    };
    document.querySelectorAll("[data-m]").forEach(function (b) { b.addEventListener("click", acts[b.dataset.m]); });
    svg.addEventListener("keydown", function (e) {
      var act = { "+": "in", "=": "in", "-": "out", "0": "whole", ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down" }[e.key];
      if (act && !e.ctrlKey && !e.metaKey && !e.altKey) { e.preventDefault(); acts[act](); }
    });
    function spot(e) {
      var r = svg.getBoundingClientRect();
      return [(e.clientX - r.left) * W / r.width, (e.clientY - r.top) * H / r.height];
    }
    svg.addEventListener("wheel", function (e) {
      if (!e.ctrlKey) return;
      e.preventDefault();
      var p = spot(e);
      zoom(Math.pow(1.0015, -e.deltaY), p[0], p[1]);
    }, { passive: false });
    svg.addEventListener("dblclick", function (e) { var p = spot(e); zoom(2, p[0], p[1]); });
    var drag = null, went = false;
    svg.addEventListener("pointerdown", function (e) { if (e.button === 0) { drag = spot(e); went = false; } });
    window.addEventListener("pointerup", function () { drag = null; svg.classList.remove("drag"); });
    svg.addEventListener("pointermove", function (e) {
      var p = spot(e);
      if (drag) {
        if (!went && Math.abs(p[0] - drag[0]) + Math.abs(p[1] - drag[1]) < 5) return;
        went = true;
        svg.classList.add("drag");
        move(drag[0] - p[0], drag[1] - p[1]);
        drag = p;
        return;
      }
      var best = null, least = 196 * Math.pow(letter / 14, 2);
      sites().forEach(function (s) {
        if (!s.at || !s.on) return;
        var q = place(s), d = (q[0] - p[0]) * (q[0] - p[0]) + (q[1] - p[1]) * (q[1] - p[1]);
        if (d < least) { least = d; best = s; }
      });
      point(best);
    });
    svg.addEventListener("click", function (e) {
      if (went || !near) return;
      var a = near.tr.cells[0].querySelector("a"), state = stated();
      location.href = a.getAttribute("href").split("#")[0] + (state ? "#back=" + encodeURIComponent(state) : "");
    });
    function point(s) {
      if (s === near) return;
      near = s;
      var p = s ? place(s) : [-50, -50];
      ring.setAttribute("cx", f(p[0]));
      ring.setAttribute("cy", f(p[1]));
      if (s) tell.textContent = named(s) + ": " + s.tr.cells[1].textContent + (s.tr.cells[8].textContent ? "; " + s.tr.cells[8].textContent : "") + ". Click for its page.";
    }
    fit();
    if (letter > 14) draw();
    window.addEventListener("resize", draw);
    return { draw: draw };
  }

  window.addEventListener("hashchange", function () { if (recall()) apply(false); });
  if (recall()) apply(false);
  else if (document.getElementById("more-rows")) {
    more.hidden = false;
    says.textContent = "the first " + body.rows.length + " sites shown";
  }
})();
