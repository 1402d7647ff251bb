// Figures of all antennas, why one is no surer, and what was done at the site.

import { h, s, sentence, show } from "./dom.js";
import { azimuth, moment, percent, plain, share, signed, uncertainty } from "./spelled.js";

/** Decisions in a word or two. */
const DECIDED = {
  accept_reading: "accepted",
  photos_wrong: "reading stands",
  photo: "to photograph",
  read_again: "to read again",
  climb: "to climb",
  revisit: "to visit",
  correct_register: "to correct",
};

export function drawTable(page) {
  const rows = page.data.antennas.map((id) => {
    const a = page.found(id),
      r = a?.reading,
      [word, words] = page.status(a),
      was = page.before.get(id),
      done = page.decision(id);
    return h(
      "tr",
      {
        "data-antenna": id,
        class: `${id === page.antenna ? "current" : ""}${page.hot.antenna === id ? " hot" : ""}`,
        onclick: (e) => {
          if (!e.target.closest("button")) page.choose(id);
        },
      },
      h(
        "th",
        { scope: "row" },
        h(
          "button",
          {
            class: "name",
            "data-key": `row-${id}`,
            "aria-pressed": id === page.antenna ? "true" : "false",
            onclick: () => page.choose(id),
            title: id,
          },
          page.short.get(id),
        ),
        h("span", { class: `s ${word}` }, words),
      ),
      h(
        "td",
        { class: "n", "data-label": "Photos" },
        a?.azimuth_true_deg == null
          ? "–"
          : [
              h("b", {}, azimuth(a.azimuth_true_deg, a.u95_deg).split(" ± ")[0]),
              h("span", { class: "u" }, `± ${uncertainty(a.u95_deg)}`),
              was ? h("span", { class: "was" }, `was ± ${uncertainty(was.u95_deg)}`) : null,
            ],
      ),
      h(
        "td",
        { class: "n", "data-label": "Reading" },
        r
          ? [
              azimuth(r.azimuth_true_deg),
              h("span", { class: `u${r.agrees === false ? " s-reading" : ""}` }, a.standing.reading),
              r.difference_deg == null ? null : h("span", { class: "u" }, signed(r.difference_deg)),
            ]
          : "none",
      ),
      h(
        "td",
        { class: "n", "data-label": "Design" },
        a?.design?.azimuth_true_deg != null
          ? [
              azimuth(a.design.azimuth_true_deg),
              h("span", { class: "u" }, `± ${a.design.tolerance_deg}°`),
              a.azimuth_true_deg == null
                ? null
                : h("span", { class: `u${a.standing.state === "out" ? " s-out" : ""}` }, signed(a.design.deviation_deg)),
            ]
          : "–",
      ),
      h(
        "td",
        { class: "verdict", "data-label": done || a?.revisit ? "Decision" : null },
        done
          ? h(
              "span",
              { class: "done" },
              DECIDED[done.verdict],
            )
          : a?.revisit
            ? h("span", { class: "wants" }, "to decide")
            : "",
      ),
    );
  });
  show(
    page.tableBox,
    page.solving && !page.result
      ? h("p", { class: "waiting" }, "Solving this site for the first time; some seconds…")
      : h(
          "table",
          { class: "cards" },
          h("caption", { class: "unseen" }, "Antennas of this site"),
          h(
            "thead",
            {},
            h(
              "tr",
              {},
              ["Antenna", "Photos", "Reading", "Design", "Decision"].map((t, k) =>
                h("th", { scope: "col", class: k && k < 4 ? "n" : "" }, t),
              ),
            ),
          ),
          h("tbody", {}, rows),
        ),
    page.result
      ? h(
          "p",
          { class: "tally" },
          `Readings: ${page.result.tally.readings}. Designs: ${page.result.tally.designs}. `,
          h("span", { class: "muted" }, "Differences are photos minus register, clockwise positive."),
        )
      : null,
  );
}

export function drawReasons(page) {
  const a = page.antenna && page.found(page.antenna);
  if (!a) return show(page.reasonsBox, []);
  const shares = [...a.budget].sort((x, y) => y.share - x.share).slice(0, 6);
  const next = a.next_evidence;
  show(
    page.reasonsBox,
    h("h2", {}, `Why ± ${uncertainty(a.u95_deg)}`),
    shares.length
      ? h(
          "table",
          { class: "budget" },
          h("caption", { class: "unseen" }, "Where the uncertainty comes from"),
          h(
            "tbody",
            {},
            shares.map((b) =>
              h(
                "tr",
                {},
                h("th", { scope: "row" }, b.source),
                h(
                  "td",
                  { class: "barcell" },
                  s(
                    "svg",
                    { viewBox: "0 0 100 10", preserveAspectRatio: "none", "aria-hidden": "true" },
                    s("rect", { width: Math.max(100 * b.share, 0.8), height: 10 }),
                  ),
                ),
                h("td", { class: "n" }, share(b.share)),
                h("td", { class: "n" }, `± ${uncertainty(b.u95_deg)}`),
              ),
            ),
          ),
        )
      : h("p", { class: "muted" }, "No azimuth, no budget."),
    next?.sentence ? h("p", {}, sentence(next.sentence)) : null,
    a.alternatives.length
      ? h(
          "p",
          {},
          "It may also be ",
          a.alternatives
            .map((o) => `${azimuth(o.azimuth_true_deg, o.u95_deg)} (${percent(o.probability)})`)
            .join(", "),
          ".",
        )
      : null,
    a.reasons.length
      ? h(
          "details",
          {},
          h("summary", { "data-key": "reasons" }, `In words (${a.reasons.length})`),
          h(
            "ul",
            {},
            a.reasons.map((r) => h("li", {}, sentence(r))),
          ),
        )
      : null,
    page.result.weak_points?.length
      ? h(
          "details",
          {},
          h("summary", { "data-key": "weak" }, "What no test would notice"),
          h(
            "ul",
            {},
            page.result.weak_points.map((w) => h("li", {}, sentence(w))),
          ),
        )
      : null,
  );
}

export function drawHistory(page) {
  const rows = page.data.history;
  show(
    page.historyBox,
    h("h2", {}, "Done here"),
    rows.length
      ? h(
          "ol",
          { reversed: true },
          rows.map((r) =>
            h(
              "li",
              { class: r.undone ? "undone" : "" },
              h("span", { class: "muted" }, `${moment(r.at)}, ${r.who}: `),
              r.undone ? h("s", {}, r.words) : r.words,
              r.undone ? h("span", { class: "unseen" }, " (undone or overruled)") : null,
            ),
          ),
        )
      : h("p", { class: "muted" }, "Nothing yet."),
    h(
      "p",
      { class: "links" },
      "As tables: ",
      ["picks", "controls", "decisions"].map((n) => h("a", { href: `/export/${n}.csv`, download: true }, `${n}.csv`)),
    ),
  );
}
