// The stack of sites: what is most worth looking at first.

import { get, setWho, who, wrong } from "./api.js";
import { h, sentence, show } from "./dom.js";
import { number } from "./spelled.js";

export const STATES = { open: "open", looked: "looked at", decided: "decided" };
const SHOWS = {
  flagged: "sites that need action",
  clear: "sites with nothing wrong",
  unsolved: "sites not solved yet",
  all: "all sites",
};
const ORDERS = { loss: "loss avoided, most first", flagged: "antennas that need action", name: "name" };
const COLUMNS = [
  "Site",
  "State",
  "What to do first",
  "Need action",
  "Readings",
  "Designs",
  "Photos",
  "Loss avoided",
];
const FIGURES = new Set(["Need action", "Photos", "Loss avoided"]);
const PAGE = 50;

export const badge = (state) => h("span", { class: `state ${state}` }, STATES[state] || state);

export const nameField = (changed = () => {}) =>
  h(
    "label",
    { class: "whofield" },
    "Your name ",
    h("input", {
      id: "who",
      "data-key": "who",
      value: who(),
      maxlength: 100,
      autocomplete: "name",
      placeholder: "stands beside what you do",
      oninput: (e) => {
        setWho(e.target.value.trim());
        changed();
      },
    }),
  );

export class List {
  constructor(place, go) {
    this.place = place;
    this.go = go;
  }

  /** wanted: {q, state, show, order, page}, as the address has it. */
  async open(wanted, audit) {
    this.wanted = { q: "", state: "any", show: audit.flagged ? "flagged" : "all", order: "loss", page: 0, ...wanted };
    this.audit = audit;
    this.frame();
    await this.load();
  }

  frame() {
    const w = this.wanted;
    const pick = (name, options) =>
      h(
        "select",
        { "data-key": name, onchange: (e) => this.change({ [name]: e.target.value }) },
        Object.entries(options).map(([value, words]) => h("option", { value, selected: w[name] === value }, words)),
      );
    this.search = h("input", {
      type: "search",
      "data-key": "q",
      value: w.q,
      placeholder: "part of a site’s name",
      oninput: () => {
        clearTimeout(this.typing);
        this.typing = setTimeout(() => this.change({ q: this.search.value }), 200);
      },
    });
    this.counts = h("div", { class: "counts", role: "group", "aria-label": "State" });
    this.tally = h("dl", { class: "tally" });
    this.rows = h("div", { class: "rows" });
    this.pager = h("nav", { class: "pager", "aria-label": "Pages of the list" });
    this.summary = h("p", { class: "muted", role: "status" });
    show(
      this.place,
      h(
        "header",
        { class: "top" },
        h("div", {}, h("p", { class: "kind" }, "Desk"), h("h1", { tabindex: -1 }, this.audit.name)),
        h(
          "nav",
          { class: "links", "aria-label": "Beside the desk" },
          this.audit.report
            ? h("a", { href: this.audit.report, title: "As of the last audit, without what was done here since" }, "Report")
            : null,
          h("a", { href: "/manual.html", target: "_blank" }, "Manual"),
        ),
        nameField(),
      ),
      h("p", { class: "lead" }, this.lead()),
      this.tally,
      h(
        "section",
        { class: "filter", "aria-label": "Which sites" },
        this.counts,
        h("label", {}, "Show ", pick("show", SHOWS)),
        h("label", {}, "Order by ", pick("order", ORDERS)),
        h("label", {}, "Find ", this.search),
      ),
      this.summary,
      this.rows,
      this.pager,
      h(
        "section",
        { class: "exports" },
        h("h2", {}, "Take it with you"),
        h(
          "p",
          {},
          "What was marked and decided here, as tables. “photoaz audit” uses marks and exclusions from here by itself the next time it runs; the tables are for other audits, for colleagues and for the file.",
        ),
        h(
          "p",
          { class: "links" },
          ["picks", "controls", "decisions"].map((n) =>
            h("a", { href: `/export/${n}.csv`, download: true }, `${n}.csv`),
          ),
        ),
      ),
    );
  }

  lead() {
    const a = this.audit;
    const parts = [`${number(a.sites)} ${a.sites === 1 ? "site" : "sites"}`];
    if (a.unsolved < a.sites) parts.push(`${number(a.flagged)} with antennas that need action`);
    if (a.unsolved) parts.push(`${number(a.unsolved)} not solved yet (a site is solved when you open it)`);
    return `${parts.join(", ")}.`;
  }

  /** How readings and designs stand at all sites, whichever are listed. */
  tallies(t) {
    const all = this.audit.sites;
    const where = t.sites < all ? `${number(t.sites)} of ${number(all)} sites` : `all ${number(all)} sites`;
    const lines = [
      ["Antennas", all > 1 ? `${number(t.antennas)}, at ${where}` : number(t.antennas)],
      ["Readings", t.readings],
      ["Designs", t.designs],
    ];
    show(
      this.tally,
      t.sites ? lines.map(([what, said]) => h("div", {}, h("dt", {}, what), h("dd", {}, said))) : null,
    );
  }

  change(what) {
    this.wanted = { ...this.wanted, page: 0, ...what };
    this.go.replace(this.wanted);
    this.load();
  }

  async load() {
    this.asking?.abort();
    this.asking = new AbortController();
    const w = this.wanted;
    this.rows.setAttribute("aria-busy", "true");
    const slow = setTimeout(() => {
      this.summary.textContent = "Looking…";
    }, 300);
    try {
      const found = await get(
        "/api/sites",
        { q: w.q, state: w.state, show: w.show, order: w.order, offset: w.page * PAGE, limit: PAGE },
        this.asking.signal,
      );
      this.table(found);
    } catch (error) {
      if (error.name === "AbortError") return;
      wrong(error);
      show(
        this.rows,
        h("p", { class: "trouble" }, error.message, " ", h("button", { onclick: () => this.load() }, "Try again")),
      );
    } finally {
      clearTimeout(slow);
      this.rows.removeAttribute("aria-busy");
    }
  }

  table(found) {
    const w = this.wanted;
    const all = Object.values(found.counts).reduce((a, b) => a + b, 0);
    const tab = (state, words, n) =>
      h(
        "button",
        {
          "data-key": `state-${state}`,
          "aria-pressed": w.state === state ? "true" : "false",
          onclick: () => this.change({ state }),
        },
        words,
        " ",
        h("span", { class: "n" }, number(n)),
      );
    this.tallies(found.tally);
    show(
      this.counts,
      tab("any", "all", all),
      Object.entries(STATES).map(([state, words]) => tab(state, words, found.counts[state])),
    );
    const last = Math.min(found.offset + found.rows.length, found.total);
    this.summary.textContent = found.total
      ? `${number(found.offset + 1)} to ${number(last)} of ${number(found.total)}`
      : "";
    if (!found.total) {
      show(
        this.rows,
        h(
          "p",
          { class: "empty" },
          this.nothing(all),
          " ",
          w.q || w.state !== "any" || w.show !== "all"
            ? h(
                "button",
                {
                  onclick: () => {
                    this.search.value = "";
                    this.wanted = { ...w, q: "", state: "any", show: "all" };
                    this.frame();
                    this.change({});
                  },
                },
                "Show all sites",
              )
            : null,
        ),
      );
    } else {
      // the longest says all that the others do
      const caution = found.rows.map((row) => row.caution).reduce((a, b) => (b.length > a.length ? b : a), "");
      show(
        this.rows,
        h(
          "table",
          { class: "sites cards" },
          h("caption", { class: "unseen" }, "Sites, ", ORDERS[w.order]),
          h(
            "thead",
            {},
            h(
              "tr",
              {},
              COLUMNS.map((t) => h("th", { scope: "col", class: FIGURES.has(t) ? "n" : "" }, t)),
            ),
          ),
          h(
            "tbody",
            {},
            found.rows.map((row) => this.row(row)),
          ),
        ),
        caution ? h("p", { class: "caution" }, h("b", {}, "Before you go: "), caution) : null,
      );
    }
    const pages = Math.ceil(found.total / PAGE);
    show(
      this.pager,
      pages > 1
        ? [
            h(
              "button",
              { "data-key": "before", disabled: w.page === 0, onclick: () => this.turn(-1) },
              "Previous page",
            ),
            h("span", {}, `page ${w.page + 1} of ${number(pages)}`),
            h(
              "button",
              { "data-key": "after", disabled: w.page + 1 >= pages, onclick: () => this.turn(1) },
              "Next page",
            ),
          ]
        : [],
    );
  }

  nothing(all) {
    const w = this.wanted;
    if (w.q) return `No site’s name has “${w.q}” in it here.`;
    if (w.state !== "any" && all) return `No site is ${STATES[w.state]} here.`;
    return w.show === "flagged" ? "Nothing needs action." : "There is no such site.";
  }

  counted(what, said) {
    return h("td", { class: "counted", "data-label": what }, said ? said.map((one) => h("span", {}, one)) : "–");
  }

  turn(by) {
    this.wanted = { ...this.wanted, page: this.wanted.page + by };
    this.go.replace(this.wanted);
    this.load().then(() => {
      window.scrollTo(0, 0);
    });
  }

  row(row) {
    return h(
      "tr",
      {},
      h("th", { scope: "row" }, h("a", { href: this.go.site(row.site_id, this.wanted) }, row.site_id)),
      h("td", { "data-label": "State" }, badge(row.state)),
      h(
        "td",
        { class: "todo" },
        sentence(row.worst) || (row.solved ? h("span", { class: "muted" }, "Nothing") : null),
        row.why ? h("span", { class: "why" }, row.why) : null,
        row.warnings
          ? h(
              "span",
              { class: "why warn" },
              `${row.warnings} ${row.warnings === 1 ? "warning" : "warnings"} about its photos`,
            )
          : null,
      ),
      h(
        "td",
        { class: "n", "data-label": "Need action" },
        row.solved
          ? row.flagged
            ? h("strong", {}, `${row.flagged} of ${row.antennas}`)
            : `none of ${row.antennas}`
          : "–",
      ),
      this.counted("Readings", row.tally?.readings),
      this.counted("Designs", row.tally?.designs),
      h(
        "td",
        { class: "n", "data-label": "Photos" },
        row.solved ? row.photos_used : "–",
        row.failures ? h("span", { class: "why" }, `${row.failures} not usable`) : null,
      ),
      h("td", { class: "n", "data-label": "Loss avoided" }, row.loss),
    );
  }
}
