// The loupe: what is about the point that is being moved, magnified.

export function showLoupe(page, point, points) {
  page.glass.hidden = !point;
  page.glass.dataset.on = point ? "yes" : "";
  page.looking = [point, points];
  if (point) magnify(page);
}

export function magnify(page) {
  const [point, points] = page.looking;
  const zoom = Math.min(Math.max(page.viewer.zoom * 2.5, 6), 24);
  page.viewer.loupe(page.glass, point, zoom);
  const g = page.glass.getContext("2d");
  const at = (p) => [(p[0] - point[0]) * zoom + 104, (p[1] - point[1]) * zoom + 104];
  g.beginPath();
  points.forEach((p, k) => g[k ? "lineTo" : "moveTo"](...at(p)));
  if (points.length > 2) g.closePath();
  for (const [colour, width] of [
    ["#000", 3],
    ["#fff", 1.2],
  ]) {
    g.strokeStyle = colour;
    g.lineWidth = width;
    g.stroke();
  }
  g.beginPath();
  g.moveTo(104, 0);
  g.lineTo(104, 90);
  g.moveTo(104, 118);
  g.lineTo(104, 208);
  g.moveTo(0, 104);
  g.lineTo(90, 104);
  g.moveTo(118, 104);
  g.lineTo(208, 104);
  g.strokeStyle = "#ffe14d";
  g.lineWidth = 1;
  g.stroke();
  const [x] = page.viewer.toScreen(point);
  page.glass.classList.toggle("at-left", x > page.viewer.box.width / 2);
}
