// The page: which view the address asks for.

import { get } from "./api.js";
import { h, show } from "./dom.js";
import { DropPage } from "./drop.js";
import { List } from "./list.js";
import { SitePage } from "./site.js";

const place = document.getElementById("page");

function read() {
  const [path, query] = location.hash.replace(/^#/, "").split("?");
  const values = Object.fromEntries(new URLSearchParams(query || ""));
  if (values.page) values.page = Math.max(Number.parseInt(values.page, 10) || 0, 0);
  const site = path.startsWith("/site/") ? decodeURIComponent(path.slice(6)) : null;
  return { site, values };
}

const query = (w) =>
  new URLSearchParams(
    Object.entries(w).filter(([, v]) => v !== "" && v !== undefined && v !== null && v !== 0),
  ).toString();
const go = {
  list: (w) => `#/?${query(w)}`,
  site: (id, w) =>
    `#/site/${encodeURIComponent(id)}?${query({ q: w.q, state: w.state, show: w.show, order: w.order, page: w.page })}`,
  replace: (w) => history.replaceState(null, "", go.list(w)),
  to: (hash) => {
    location.hash = hash;
  },
};

let view = null;

async function route() {
  const { site, values } = read();
  try {
    const audit = await get("/api/audit");
    view?.close?.();
    if (audit.drop) {
      document.body.className = "dropping";
      document.title = "Photos – photoaz desk";
      view = new DropPage(place);
      await view.open(audit);
      return;
    }
    document.body.className = site === null ? "listing" : "sitting";
    view = site === null ? new List(place, go) : new SitePage(place, go, audit);
    document.title = site === null ? `${audit.name} – photoaz desk` : `${site} – ${audit.name} – photoaz desk`;
    if (site === null) {
      await view.open(values, audit);
      window.scrollTo(0, 0);
    } else await view.open(site, { q: "", state: "any", show: "all", order: "loss", ...values });
  } catch (error) {
    show(
      place,
      h(
        "div",
        { class: "trouble" },
        h("h1", {}, "The page cannot be shown"),
        h("p", {}, error.message),
        h("p", {}, h("button", { onclick: route }, "Try again"), " ", h("a", { href: "#/" }, "Back to all sites")),
      ),
    );
  }
}

window.addEventListener("hashchange", route);
route();
