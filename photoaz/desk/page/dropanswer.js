// The answer beside the photo: azimuth with its uncertainty, what it says of reading and design, what to do, what to save.

import { who, setWho } from "./api.js";
import { cautionOf, factsOf, stripOf, verdictsOf } from "./decision.js";
import { h, say, sentence, show } from "./dom.js";
import { planKey, planOf } from "./plan.js";
import { azimuth, moment } from "./spelled.js";

const MEANS = {
  estimated: "",
  ambiguous: "The photos allow more than one azimuth.",
  not_found: "It was not found in the photos: click it in one of them, or draw it by hand.",
  not_visible: "No photo shows it: it is out of the frame, hidden, or too small.",
};

export function drawAnswer(page) {
  if (page.solving)
    return show(page.answerBox, h("h2", {}, "Answer"), h("p", { class: "waiting" }, "Measuring: some seconds, a large photo half a minute…"));
  if (page.failed) return show(page.answerBox, h("h2", {}, "Answer"), h("p", { class: "trouble" }, page.failed));
  if (!page.result) return show(page.answerBox, []);
  const a = page.found(page.name) ?? page.result.antennas[0];
  const rejected = page.result.photos.filter((p) => p.status === "rejected");
  const label = (name) => page.data.photos.find((p) => p.photo === name)?.label ?? name;
  show(
    page.answerBox,
    h("h2", {}, "Answer"),
    page.stale ? h("p", { class: "warn" }, "Something was changed since: measure again.") : null,
    rejected.map((p) => h("p", { class: "warn" }, `${label(p.photo)} was not used: ${String(p.reason).replaceAll(p.photo, label(p.photo))}.`)),
    others(page, a),
    a ? answerOf(page, a) : h("p", {}, "No antenna was measured."),
  );
}

function others(page, chosen) {
  const all = page.result.antennas;
  if (all.length < 2) return null;
  return h(
    "ul",
    { class: "others" },
    all.map((a) =>
      h(
        "li",
        {},
        h(
          "button",
          {
            "data-key": `answer-${a.antenna_id}`,
            "aria-pressed": a === chosen ? "true" : "false",
            onclick: () => {
              page.antenna = Math.max(page.names.indexOf(a.antenna_id), 0);
              page.redraw("form", "pick", "marks", "answer");
            },
          },
          a.antenna_id,
        ),
        ` ${a.azimuth_true_deg == null ? a.status.replace("_", " ") : azimuth(a.azimuth_true_deg, a.u95_deg)}`,
      ),
    ),
  );
}

function answerOf(page, a) {
  const todo = (page.result.revisit?.antennas || []).find((t) => t.antenna_id === a.antenna_id);
  const caution = cautionOf(page, a, todo);
  const measured = a.azimuth_true_deg != null;
  return [
    h(
      "p",
      { class: "figure" },
      `${a.antenna_id}: `,
      h("b", {}, measured ? azimuth(a.azimuth_true_deg, a.u95_deg) : "no azimuth"),
      measured ? h("span", { class: "muted" }, " from true north, 95 %") : null,
    ),
    MEANS[a.status] ? h("p", { class: "warn" }, MEANS[a.status]) : null,
    h(
      "div",
      { class: "facts" },
      h(
        "table",
        {},
        h("tbody", {}, factsOf(a).map(([k, v, w]) => h("tr", {}, h("th", { scope: "row" }, k), h("td", { class: "n" }, v), h("td", {}, w)))),
      ),
      stripOf(a),
    ),
    h("p", { class: "todo" }, h("strong", {}, todo ? sentence(`next: ${todo.instruction}`) : a.revisit ? "Next: it needs action." : "Nothing to be done, by the photos.")),
    todo?.reasons?.length ? h("p", { class: "muted" }, sentence(todo.reasons.join("; "))) : null,
    caution ? h("p", { class: "caution" }, h("b", {}, "Before you go: "), caution) : null,
    a.next_evidence?.sentence ? h("p", {}, sentence(a.next_evidence.sentence)) : null,
    a.reasons.length
      ? h("details", {}, h("summary", { "data-key": "why" }, "Why"), h("ul", {}, a.reasons.map((r) => h("li", {}, sentence(r)))))
      : null,
    h(
      "details",
      { open: true },
      h("summary", { "data-key": "plan" }, "From above"),
      planOf({
        site: { ...page.solvedSite, photos: page.data.photos, controls: [] },
        solution: page.result,
        short: new Map(page.result.antennas.map((x) => [x.antenna_id, x.antenna_id])),
        far: false,
        picking: null,
        marked: null,
        current: page.photo,
      }),
      planKey(),
    ),
    signPart(page, a, todo),
    savePart(page, a),
  ];
}

function signPart(page, a, todo) {
  const done = page.decisions.find((d) => d.antenna_id === a.antenna_id);
  const decide = (verdict) => {
    if (!who()) return say("Type your name first: it stands on the sheet.", "wrong");
    if (verdict === "photos_wrong" && !page.note.trim())
      return say("Say in the note why the photos are wrong: it stands on the sheet.", "wrong");
    return page.decide(a.antenna_id, verdict, who());
  };
  return [
    h("h2", {}, "Decide and sign"),
    h(
      "label",
      { class: "cell" },
      h("span", {}, "Your name"),
      h("input", { "data-key": "who", maxlength: 100, autocomplete: "name", value: who(), oninput: (e) => setWho(e.target.value.trim()) }),
    ),
    h(
      "label",
      { class: "cell" },
      h("span", {}, "Note"),
      h("input", {
        "data-key": "note",
        maxlength: 1000,
        value: page.note,
        placeholder: "why, what to bring, whom to ask",
        oninput: (e) => {
          page.note = e.target.value;
        },
      }),
    ),
    h(
      "div",
      { class: "row verdicts" },
      verdictsOf(a, todo).map(([verdict, words, proposed]) =>
        h(
          "button",
          {
            "data-key": verdict,
            class: proposed && !done ? "main" : "",
            disabled: Boolean(page.stale),
            "aria-pressed": done?.verdict === verdict ? "true" : "false",
            onclick: () => decide(verdict),
          },
          words,
        ),
      ),
      done ? null : h("span", { class: "muted" }, "filled: what photoaz proposes"),
    ),
    done ? h("p", { class: "done" }, `Signed by ${done.who}, ${moment(done.at)}.`) : null,
  ];
}

function savePart(page, a) {
  const sheet = `/project/sheet.html?antenna=${encodeURIComponent(a.antenna_id)}`;
  return [
    h("h2", {}, "Take it with you"),
    h(
      "p",
      { class: "links" },
      h("a", { href: sheet, target: "_blank", "data-key": "sheet" }, "Sheet to print"),
      h("a", { href: `${sheet}&save=yes`, download: true, "data-key": "save-sheet" }, "Save the sheet"),
      page.form.register ? null : h("a", { href: "/project/register.csv", download: true, "data-key": "row" }, "Row for a register (CSV)"),
      h("a", { href: "/project/project.zip", download: true, "data-key": "zip" }, "Everything (ZIP)"),
    ),
    h("p", { class: "muted" }, "Photos and tables lie in ", h("span", { class: "folder" }, page.data.folder), ". To go on with landmarks, more photos or an audit:"),
    h("pre", {}, `photoaz desk ${page.data.folder}`),
  ];
}
