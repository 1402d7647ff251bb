// The bar above a site: where it stands, undo and redo, the way to other sites; and what is to be known about it.

import { who } from "./api.js";
import { askName, showKeys } from "./dialogs.js";
import { h, sentence, show } from "./dom.js";
import { badge } from "./list.js";
import { act } from "./solving.js";

export function drawBar(page) {
  const d = page.data;
  const open = (page.result?.antennas || []).filter((a) => a.revisit && !page.decision(a.antenna_id)).length;
  const link = (id, words, key) =>
    id
      ? h("a", { class: "button", "data-key": key, href: page.go.site(id, page.wanted), title: id }, words)
      : h("span", { class: "button off" }, words);
  show(
    page.barBox,
    h("a", { class: "back", href: page.go.list(page.wanted), "data-key": "back" }, "← All sites"),
    h("h1", { tabindex: -1 }, d.site_id),
    badge(d.state),
    h(
      "span",
      { class: "muted count" },
      !page.result
        ? ""
        : open
          ? `${open} ${open === 1 ? "antenna waits" : "antennas wait"} for a decision`
          : page.result.antennas.some((a) => a.revisit)
            ? "everything decided"
            : "nothing needs action",
    ),
    h("span", { class: "grow" }),
    h(
      "button",
      {
        "data-key": "undo",
        disabled: !d.undo,
        title: d.undo ? `Undo: ${d.undo.words} (${d.undo.who})` : "Nothing to undo",
        onclick: () => act(page, "undo"),
      },
      "Undo",
    ),
    h(
      "button",
      {
        "data-key": "redo",
        disabled: !d.redo,
        title: d.redo ? `Redo: ${d.redo.words}` : "Nothing to redo",
        onclick: () => act(page, "redo"),
      },
      "Redo",
    ),
    h("button", { "data-key": "keys", onclick: () => showKeys() }, "Keys"),
    h(
      "button",
      { "data-key": "name", class: who() ? "plain" : "wanting", onclick: () => askName(page) },
      who() ? who() : "Your name…",
    ),
    d.report
      ? h("a", { class: "button", "data-key": "report", href: d.report, title: "This site in the report of the last audit" }, "Report")
      : null,
    link(d.previous, "‹ Previous", "previous"),
    link(d.next, "Next site ›", "next"),
  );
}

export function drawNotes(page) {
  const notes = [...page.data.notes];
  if (page.data.changed.length)
    notes.push(
      `Changed since something was marked in it: ${page.data.changed.map((n) => page.label(n)).join(", ")}. Look whether the marks still fit.`,
    );
  for (const f of page.result?.audit?.flags || []) notes.push(`${page.label(f.photo)}: ${f.message}`);
  for (const t of page.result?.turns || []) if (t.turned) notes.push(t.sentence);
  if (page.failed) notes.unshift(page.failed);
  show(
    page.notesBox,
    notes.length
      ? h(
          "ul",
          {},
          notes.map((n, k) => h("li", { class: k === 0 && page.failed ? "trouble" : "" }, sentence(n))),
        )
      : [],
  );
}
