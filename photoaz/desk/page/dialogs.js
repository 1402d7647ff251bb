// What is asked and told in a window of its own: who sits here, and the keys.

import { setWho, who } from "./api.js";
import { h } from "./dom.js";

const KEYS = [
  ["Tab", "to the photo, then to each mark in it, then to the grips of the one selected"],
  ["Enter", "selects a mark; sets what a tool has placed"],
  ["m", "refuse what the map told of the photo; again: take its word"],
  ["Arrow keys", "move a grip by half a pixel (with Shift by five), or the photo"],
  ["+ and −", "nearer and farther (while the photo has the keyboard)"],
  ["0, h, z", "whole photo, head of the tower, what is selected"],
  ["[ and ]", "the photo before and after"],
  ["Esc", "gives up what is being moved or placed"],
  ["Ctrl+Z, Ctrl+Shift+Z", "undo, redo"],
];

export function askName(page) {
  return new Promise((done) => {
    const input = h("input", {
      name: "who",
      required: true,
      maxlength: 100,
      autocomplete: "name",
      value: who(),
      size: 30,
    });
    const dialog = h(
      "dialog",
      { "aria-labelledby": "who-title" },
      h(
        "form",
        {
          method: "dialog",
          onsubmit: () => {
            setWho(input.value.trim().replace(/\s+/g, " "));
          },
        },
        h("h2", { id: "who-title" }, "Your name"),
        h(
          "p",
          {},
          "It stands, with the time, beside everything that you mark and decide. You are asked once in this browser.",
        ),
        h("p", {}, input),
        h(
          "div",
          { class: "row" },
          h("button", { class: "main", type: "submit", value: "ok" }, "This is me"),
          h("button", { type: "button", onclick: () => dialog.close() }, "Cancel"),
        ),
      ),
    );
    dialog.addEventListener("close", () => {
      dialog.remove();
      page.redraw("bar");
      done(dialog.returnValue === "ok" && Boolean(who()));
    });
    document.body.append(dialog);
    dialog.showModal();
    input.focus();
  });
}

export function showKeys() {
  const dialog = h(
    "dialog",
    { "aria-labelledby": "keys-title" },
    h("h2", { id: "keys-title" }, "Keys"),
    h(
      "table",
      { class: "keys" },
      h(
        "tbody",
        {},
        KEYS.map(([k, w]) => h("tr", {}, h("th", { scope: "row" }, k), h("td", {}, w))),
      ),
    ),
    h("p", {}, h("button", { onclick: () => dialog.close() }, "Close")),
  );
  dialog.addEventListener("close", () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
}
