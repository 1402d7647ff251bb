// One antenna: what photos, reading and design say of it, what is proposed, and what somebody decides.

import { h, s, say, sentence, show } from "./dom.js";
import { act } from "./solving.js";
import { azimuth, design, moment, percent, plain, signed, uncertainty } from "./spelled.js";

export function drawDecision(page) {
  const id = page.antenna,
    a = id && page.found(id);
  if (!a)
    return show(
      page.decisionBox,
      page.solving
        ? []
        : h(
            "p",
            { class: "muted" },
            "No result to decide about: mark the antennas in a photo, and the site is solved again.",
          ),
    );
  const todo = (page.result.revisit?.antennas || []).find((t) => t.antenna_id === id);
  const done = page.decision(id);
  const facts = factsOf(a);
  const buttons = verdictsOf(a, todo);
  const caution = cautionOf(page, a, todo, done);
  const next = page.data.next;
  const rest = page.result.antennas.filter((x) => x.revisit && !page.decision(x.antenna_id));
  show(
    page.decisionBox,
    h("h2", {}, id),
    todo
      ? h("p", { class: "todo" }, h("strong", {}, sentence(todo.instruction)))
      : h("p", { class: "todo" }, a.revisit ? "It needs action." : "Nothing to do, by the photos."),
    todo?.reasons?.length ? h("p", { class: "muted" }, sentence(todo.reasons.join("; "))) : null,
    h(
      "div",
      { class: "facts" },
      h(
        "table",
        {},
        h(
          "tbody",
          {},
          facts.map(([k, v, w]) =>
            h("tr", {}, h("th", { scope: "row" }, k), h("td", { class: "n" }, v), h("td", {}, w)),
          ),
        ),
      ),
      stripOf(a),
    ),
    caution ? h("p", { class: "caution" }, h("b", {}, "Before you go: "), caution) : null,
    done
      ? h(
          "p",
          { class: "done" },
          h("strong", {}, done.words),
          ` – ${done.who}, ${moment(done.at)}${done.note ? `: ${done.note}` : ""} `,
          done.figures?.azimuth_true_deg != null &&
            a.azimuth_true_deg != null &&
            Math.abs(done.figures.azimuth_true_deg - a.azimuth_true_deg) > 0.1
            ? h(
                "span",
                { class: "warn" },
                `decided at ${azimuth(done.figures.azimuth_true_deg, done.figures.u95_deg)}; the figures have changed since. `,
              )
            : null,
          h(
            "button",
            { "data-key": "withdraw", onclick: () => act(page, "no_decision", { antenna_id: id }) },
            "Withdraw",
          ),
        )
      : null,
    h(
      "label",
      { class: "notefield" },
      "Note ",
      h("input", {
        "data-key": "note",
        value: page.note,
        maxlength: 1000,
        placeholder: "why, what to bring, whom to ask",
        oninput: (e) => {
          page.note = e.target.value;
        },
      }),
    ),
    h(
      "div",
      { class: "row verdicts" },
      buttons.map(([verdict, words, proposed]) =>
        h(
          "button",
          {
            "data-key": verdict,
            class: proposed && !done ? "main" : "",
            disabled: page.solving,
            "aria-pressed": done?.verdict === verdict ? "true" : "false",
            onclick: () => decide(page, verdict),
          },
          words,
        ),
      ),
      proposal(buttons, done),
    ),
    done && rest.length
      ? h(
          "p",
          {},
          h(
            "button",
            { "data-key": "nextantenna", onclick: () => page.choose(rest[0].antenna_id) },
            `Next: ${page.short.get(rest[0].antenna_id)}`,
          ),
        )
      : null,
    done && !rest.length && next
      ? h(
          "p",
          {},
          h(
            "a",
            { class: "button", "data-key": "nextsite", href: page.go.site(next, page.wanted) },
            `Next site: ${next}`,
          ),
        )
      : null,
  );
}

/** What to mind wherever somebody is sent: by a decision, by what is proposed, or by what would help. */
export function cautionOf(page, a, todo, done = null) {
  const of = page.data.cautions;
  return of[done?.verdict] ?? of[todo?.action] ?? (a.next_evidence?.needs_trip ? of.photo : null);
}

/** What photos, reading and design say of an antenna: name, figure, verdict. */
export function factsOf(a) {
  const r = a.reading,
    d = a.design;
  const facts = [];
  if (a.azimuth_true_deg != null)
    facts.push([
      "Photos",
      azimuth(a.azimuth_true_deg, a.u95_deg),
      a.status === "ambiguous"
        ? "ambiguous: see why below"
        : `${a.evidence.length} ${a.evidence.length === 1 ? "view" : "views"}`,
    ]);
  if (r)
    facts.push([
      "Reading",
      azimuth(r.azimuth_true_deg, r.u95_deg),
      r.difference_deg == null
        ? `${a.standing.reading}: the photos do not measure this antenna`
        : `${a.standing.reading}: photos − reading ${signed(r.difference_deg)} (En ${plain(r.en, 2)}${right(r)})`,
    ]);
  if (d?.azimuth_true_deg != null)
    facts.push([
      "Design",
      design(d.azimuth_true_deg, d.tolerance_deg),
      a.azimuth_true_deg == null
        ? ""
        : `${a.standing.design}: photos − design ${signed(d.deviation_deg)}; ${chances(d)}`,
    ]);
  return facts;
}

/** What can be decided about an antenna: [verdict, words, whether photoaz proposes it]. todo: what it proposes. */
export function verdictsOf(a, todo) {
  const r = a.reading;
  return [
    ["accept_reading", r ? "Accept the reading" : "Accept", todo?.action === "leave" || !a.revisit],
    r ? ["photos_wrong", "Photos wrong, reading stands", false] : null,
    ["photo", "Photograph again", todo?.action === "photo"],
    ["read_again", "Read again", todo?.action === "read_again"],
    ["climb", "Climb", todo?.action === "climb"],
    r ? ["correct_register", "Correct the register", ["correct_register", "check_records"].includes(todo?.action)] : null,
  ].filter(Boolean);
}

async function decide(page, verdict) {
  const id = page.antenna;
  if (verdict === "photos_wrong" && !page.note.trim()) {
    say("Say in the note why the photos are wrong: it stands beside the decision.", "wrong");
    page.decisionBox.querySelector('[data-key="note"]')?.focus();
    return;
  }
  if (await act(page, "decision", { antenna_id: id, verdict, note: page.note.trim() })) {
    page.note = "";
    page.redraw("decision");
  }
}

// what the verdict goes by: En compares this one pair alone
const right = (r) => (r.p_right == null ? "" : `; right by the whole site: ${percent(r.p_right)}`);

/** Of being out of tolerance: once where both read alike. */
function chances(d) {
  const [both, alone] = [percent(d.p_out_of_tolerance), percent(d.p_out_photos_alone)];
  return `${both} out${alone === both ? "" : `, by the photos alone ${alone}`}`;
}

const proposal = (buttons, done) =>
  done || !buttons.some(([, , p]) => p) ? null : h("span", { class: "muted" }, "filled: what photoaz proposes");

/** Photos and reading as intervals, in degrees off the design, with its tolerance. */
export function stripOf(a) {
  const d = a.design;
  if (d?.azimuth_true_deg == null) return null;
  const off = (deg) => ((((deg - d.azimuth_true_deg + 180) % 360) + 360) % 360) - 180;
  const rows = [];
  if (a.azimuth_true_deg != null) rows.push(["photos", off(a.azimuth_true_deg), a.u95_deg]);
  if (a.reading) rows.push(["reading", off(a.reading.azimuth_true_deg), a.reading.u95_deg]);
  if (!rows.length) return null;
  const reach = Math.min(Math.max(d.tolerance_deg * 1.4, ...rows.map(([, x, u]) => Math.abs(x) + u)) * 1.06, 185);
  const x = (v) => 262 + (Math.max(Math.min(v, reach), -reach) / reach) * 190;
  const parts = [
    s("rect", {
      class: "tolerance",
      x: x(-d.tolerance_deg),
      y: 2,
      width: x(d.tolerance_deg) - x(-d.tolerance_deg),
      height: 40,
    }),
    s("line", { class: "zero", x1: 262, x2: 262, y1: 2, y2: 42 }),
  ];
  rows.forEach(([kind, v, u], k) => {
    const y = 13 + 18 * k;
    parts.push(
      s("text", { class: "mark", x: 0, y: y + 4 }, kind),
      s("line", { class: kind, x1: x(v - u), x2: x(v + u), y1: y, y2: y }),
      s("line", { class: kind, x1: x(v - u), x2: x(v - u), y1: y - 4, y2: y + 4 }),
      s("line", { class: kind, x1: x(v + u), x2: x(v + u), y1: y - 4, y2: y + 4 }),
      s("circle", { class: kind, cx: x(v), cy: y, r: 3.6 }),
    );
  });
  // beside a large deviation the tolerance is narrow: three words would lie on each other
  const under =
    x(d.tolerance_deg) - x(0) < 52
      ? [[0, `design ± ${d.tolerance_deg}°`]]
      : [
          [-d.tolerance_deg, `-${d.tolerance_deg}°`],
          [d.tolerance_deg, `+${d.tolerance_deg}°`],
          [0, "design"],
        ];
  for (const [at, words] of under)
    parts.push(s("text", { class: "mark", x: x(at), y: 54, "text-anchor": "middle" }, words));
  return s(
    "svg",
    {
      class: "intervals",
      viewBox: "0 0 460 58",
      role: "img",
      "aria-label": rows.map(([k, v, u]) => `${k} ${signed(v)} ± ${uncertainty(u)} off the design`).join("; "),
    },
    parts,
  );
}
