// Figures as the report spells them: angles (photoaz.angles), probabilities and shares (photoaz.wording), dates. Held to
// those by a test.

/** As Python rounds: what lies in the very middle goes to the even digit. */
function fixed(value, decimals) {
  const scaled = Math.abs(value) * 10 ** decimals;
  const low = Math.floor(scaled);
  // exactly in the middle, which few decimal fractions are in binary
  const middle = scaled - low === 0.5 && Number.isInteger(value * 2 ** (decimals + 1));
  return (middle ? (Math.sign(value) * (low + (low % 2))) / 10 ** decimals : value).toFixed(decimals);
}

/** Two significant digits of an expanded uncertainty; one decimal where it is not known. */
function decimals(u95) {
  if (!(u95 > 0)) return 1;
  const power = Number(Number(u95).toExponential(1).split("e")[1]);
  return Math.min(3, Math.max(0, 1 - power));
}

/** '124.6° ± 4.0°'; '124.6°' without an uncertainty. */
export function azimuth(deg, u95 = null) {
  if (deg == null) return "–";
  const n = u95 == null ? 1 : decimals(u95);
  const turned = deg % 360 < 0 ? (deg % 360) + 360 : deg % 360;
  const text = `${fixed(Number(fixed(turned, n)) % 360, n)}°`;
  return u95 == null ? text : `${text} ± ${uncertainty(u95)}`;
}

/** '4.0°'. */
export const uncertainty = (u95) => (u95 == null ? "–" : `${fixed(u95, decimals(u95))}°`);

/** '+6.6°', '-0.4°', '0.0°'. */
export function signed(deg) {
  if (deg == null) return "–";
  const text = fixed(deg, 1);
  return `${Number(text) === 0 ? "0.0" : deg > 0 ? `+${text}` : text}°`;
}

/** '6.6°', without its sign. */
export const magnitude = (deg) => (deg == null ? "–" : `${fixed(Math.abs(deg), 1)}°`);

/** '120.0° ± 5°', the tolerance. */
export const design = (deg, tolerance) => (deg == null ? "–" : `${azimuth(deg)} ± ${tolerance}°`);

/** A probability: '62 %', '4.2 %' near either end; never as sure as 0 or 100 %. */
export function percent(p) {
  if (p == null) return "–";
  if (p < 0.001) return "< 0.1 %";
  if (p > 0.999) return "> 99.9 %";
  return `${fixed(100 * p, Math.min(p, 1 - p) < 0.1 ? 1 : 0)} %`;
}

/** A part of a whole: '62 %'; a few are '< 1 %', nearly all '> 99 %'. */
export function share(part) {
  if (part > 0 && part <= 0.005) return "< 1 %";
  if (part >= 0.995 && part < 1) return "> 99 %";
  return `${fixed(100 * part, 0)} %`;
}

/** A figure of another kind than an angle, without its unit. */
export const plain = (value, places = 1) => (value == null ? "–" : fixed(value, places));
export const number = (value) => new Intl.NumberFormat("en-GB").format(value).replaceAll(",", "\u202f");

/** '2026-05-14 09:21' of an ISO time in UTC, by this machine's clock. */
export function moment(iso) {
  const t = new Date(iso);
  const two = (n) => String(n).padStart(2, "0");
  return `${t.getFullYear()}-${two(t.getMonth() + 1)}-${two(t.getDate())} ${two(t.getHours())}:${two(t.getMinutes())}`;
}
