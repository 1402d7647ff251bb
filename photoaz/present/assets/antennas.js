"use strict";
(function () {
  document.documentElement.classList.add("on");
  var PAGE = 500;
  var table = document.getElementById("antennas"), body = table.tBodies[0], form = document.getElementById("filter");
  var says = document.getElementById("shown"), more = document.getElementById("more");
  var heads = Array.prototype.slice.call(table.tHead.rows[0].cells);
  var kinds = heads.map(function (h) { return h.dataset.k; }), names = heads.map(function (h) { return h.dataset.c; });
  var titles = heads.map(function (h) { return h.textContent; });
  // a line an antenna, cells between tabs: the columns' and then its page and the place on it
  var all = document.getElementById("rows").textContent.split("\n").filter(Boolean).map(function (line, k) {
    var cells = line.split("\t");
    return { cells: cells, page: cells[names.length], place: cells[names.length + 1], text: line.toLowerCase(), k: k };
  });
  var desk = document.getElementById("desk");  // there where a desk serves this page
  var kept = all, limit = PAGE, sorted = { column: -1, down: false };
  function column(name) { return names.indexOf(name); }
  // cells hold angles as they are spelled: '+12.3°', '± 2.0°'
  function bare(text) { return text.replace(/[±° ]/g, "").replace(/^\+/, ""); }
  function row(a) {
    var tr = document.createElement("tr");
    a.cells.slice(0, names.length).forEach(function (value, k) {
      var cell = document.createElement(k === 0 ? "th" : "td"), inner = cell;
      cell.dataset.h = titles[k];
      if (k === 0) cell.scope = "row";
      if (k < 2) {
        inner = cell.appendChild(document.createElement("a"));
        inner.href = "sites/" + encodeURIComponent(a.page) + (k ? "#" + a.place : "");
      }
      if (kinds[k] === "text" || kinds[k] === "date") inner.textContent = value;
      else { inner.textContent = value || "–"; cell.className = "n"; }
      if (k === 0 && desk) {
        cell.append(" ");
        inner = cell.appendChild(document.createElement("a"));
        inner.className = "desk";
        inner.href = "/#/site/" + encodeURIComponent(value);
        inner.textContent = "at the desk";
      }
      tr.appendChild(cell);
    });
    return tr;
  }
  function atLeast(a, name, least) {
    var value = a.cells[column(name)];
    return !(least > 0) || (value !== "" && Math.abs(+bare(value)) >= least);
  }
  function apply() {
    var f = form.elements, words = f.q.value.toLowerCase().split(/\s+/).filter(Boolean);
    kept = all.filter(function (a) {
      if (f.reading.value && a.cells[column("reading")] !== f.reading.value) return false;
      if (f.design.value && a.cells[column("design")].split(":")[0] !== f.design.value) return false;
      return atLeast(a, "difference_deg", +f.off.value) && atLeast(a, "deviation_deg", +f.dev.value) &&
        words.every(function (w) { return a.text.indexOf(w) >= 0; });
    });
    if (sorted.column >= 0) {
      var c = sorted.column, kind = kinds[c], turn = sorted.down ? -1 : 1, by = new Intl.Collator("en", { numeric: true });
      kept = kept.slice().sort(function (a, b) {
        var x = a.cells[c], y = b.cells[c];
        if ((x === "") !== (y === "")) return x === "" ? 1 : -1;  // not known comes last either way
        if (kind === "text" || kind === "date") return turn * by.compare(x, y) || a.k - b.k;
        var d = kind === "signed" ? Math.abs(bare(x)) - Math.abs(bare(y)) : bare(x) - bare(y);
        return turn * d || a.k - b.k;
      });
    }
    heads.forEach(function (th, k) {
      if (k === sorted.column) th.setAttribute("aria-sort", sorted.down ? "descending" : "ascending");
      else th.removeAttribute("aria-sort");
    });
    show();
  }
  function show() {
    var piece = document.createDocumentFragment();
    kept.slice(0, limit).forEach(function (a) { piece.appendChild(row(a)); });
    body.replaceChildren(piece);
    more.hidden = limit >= kept.length;
    says.textContent = (kept.length === all.length ? "" : kept.length + " of ") + all.length + " antennas" +
      (limit < kept.length ? ", the first " + limit + " shown" : "");
  }
  // RFC 4180; text that a spreadsheet would take for a formula gets an apostrophe, as in the other CSV files
  function cell(value, kind) {
    if (kind !== "text") return kind === "date" ? value : bare(value);
    if (/^[=+\-@\t\r\n\0\uff1d\uff0b\uff0d\uff20]/.test(value) && !/^[+-]?(\d+\.?\d*|\.\d+)$/.test(value)) value = "'" + value;
    return /[",\r\n]/.test(value) ? '"' + value.replace(/"/g, '""') + '"' : value;
  }
  document.getElementById("export").addEventListener("click", function () {
    var lines = [names.join(",")].concat(kept.map(function (a) {
      return names.map(function (_, k) { return cell(a.cells[k], kinds[k]); }).join(",");
    }));
    var link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([lines.join("\r\n") + "\r\n"], { type: "text/csv" }));
    link.download = "antennas.csv";
    link.click();
    setTimeout(function () { URL.revokeObjectURL(link.href); }, 10000);
  });
  function changed() { limit = PAGE; apply(); }
  form.addEventListener("input", changed);
  form.addEventListener("submit", function (e) { e.preventDefault(); });
  form.addEventListener("reset", function () { sorted = { column: -1, down: false }; setTimeout(changed, 0); });
  more.addEventListener("click", function () { limit += PAGE; show(); });
  heads.forEach(function (th, k) {
    var b = document.createElement("button");
    b.type = "button";
    while (th.firstChild) b.appendChild(th.firstChild);
    th.appendChild(b);
    b.addEventListener("click", function () {
      sorted = { column: k, down: sorted.column === k ? !sorted.down : kinds[k] !== "text" && kinds[k] !== "date" };
      changed();
    });
  });
  function recall() {
    var p = new URLSearchParams(location.hash.slice(1));
    ["q", "reading", "design", "off", "dev"].forEach(function (n) { if (p.has(n)) form.elements[n].value = p.get(n); });
  }
  window.addEventListener("hashchange", function () { recall(); changed(); });
  recall();
  apply();
})();
