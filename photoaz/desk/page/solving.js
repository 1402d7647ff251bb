// What is said to the desk and what comes back: each edit is noted, then the site is solved again.

import { get, post, who, wrong } from "./api.js";
import { askName } from "./dialogs.js";
import { say } from "./dom.js";
import { headOf } from "./drawn.js";
import { uncertainty } from "./spelled.js";

/** Note what is done; true where the desk took it. */
export async function act(page, kind, body = {}, photo = null) {
  if (!who() && !(await askName(page))) {
    page.marks.settled();
    page.redraw("marks");
    return false;
  }
  let said;
  try {
    said = await post("/api/act", { site: page.siteId }, { who: who(), kind, body, photo });
  } catch (error) {
    wrong(error);
    page.marks.settled();
    page.redraw("marks");
    return false;
  }
  const { ticket, ...edits } = said;
  page.data = { ...page.data, ...edits };
  if (ticket) follow(page, ticket);
  else {
    page.marks.settled();
    if (kind === "decision") say("Noted.");
  }
  page.redraw();
  return true;
}

export async function follow(page, ticket, first = false) {
  page.ticket = ticket;
  page.solving = true;
  page.failed = null;
  page.busy.hidden = false;
  page.busy.classList.add("on");
  page.busy.textContent = "Solving…";
  let whole = false;
  let start = page.result;
  while (!page.closed && page.ticket === ticket) {
    let answer;
    try {
      answer = await get("/api/solved", { site: page.siteId, ticket, draft: whole ? null : "yes" });
    } catch (error) {
      if (page.ticket !== ticket) return;
      fail(page, `${error.message}`);
      return;
    }
    if (page.closed || page.ticket !== ticket) return;
    if (answer.solving) continue;
    if (answer.error && !answer.document) {
      fail(
        page,
        `This site could not be solved: ${answer.error}. What you marked is kept; mark another photo, or undo.`,
      );
      return;
    }
    takeAnswer(page, answer, start, first);
    if (!answer.draft) return;
    whole = true;
    page.busy.textContent = "Draft; solving all of it…";
  }
}

function fail(page, why) {
  page.solving = false;
  page.drafted = false;
  page.busy.hidden = true;
  page.failed = why;
  say(why, "wrong");
  page.marks.settled();
  page.redraw();
}

function takeAnswer(page, answer, start, first) {
  page.result = answer.document;
  page.drafted = answer.draft;
  page.solving = answer.draft;
  page.before = new Map();
  for (const a of start?.antennas || []) {
    const now = page.found(a.antenna_id);
    if (now?.u95_deg != null && a.u95_deg != null && Math.abs(now.u95_deg - a.u95_deg) >= 0.05)
      page.before.set(a.antenna_id, a);
  }
  if (!answer.draft) {
    page.failed = answer.error;
    const changes = [...page.before.values()].sort(
      (a, b) =>
        Math.abs(page.found(b.antenna_id).u95_deg - b.u95_deg) - Math.abs(page.found(a.antenna_id).u95_deg - a.u95_deg),
    );
    const words = `Solved in ${(answer.took_ms / 1000).toFixed(1)} s. ${
      first || !start
        ? ""
        : changes.length
          ? `U95 of ${changes
              .slice(0, 3)
              .map(
                (a) =>
                  `${page.short.get(a.antenna_id)}: ± ${uncertainty(a.u95_deg)} → ± ${uncertainty(page.found(a.antenna_id).u95_deg)}`,
              )
              .join(", ")}${changes.length > 3 ? `, and ${changes.length - 3} more` : ""}.`
          : "U95 as before, to 0.1°."
    }`;
    page.busy.textContent = words;
    page.busy.classList.remove("on");
    say(words);
    if (first && !page.antenna) page.antenna = page.firstToDecide();
  }
  if (
    (!page.marks.drag && page.marks.working === null) ||
    (page.marks.working && page.marks.working.id !== "draft" && !page.marks.timerRuns)
  )
    page.marks.settled();
  page.redraw();
  if (first && !page.viewer.keep.size && !start) page.viewer.open(page.photo, headOf(page));
}
