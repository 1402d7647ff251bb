// What the page asks the desk, and what it says when there is no answer.

import { say } from "./dom.js";

export class Refused extends Error {}
export class Gone extends Error {}

const GONE =
  "The desk does not answer. Is “photoaz desk” still running in its terminal? Start it again; nothing that was done is lost.";

async function ask(url, options) {
  let response;
  try {
    response = await fetch(url, { credentials: "same-origin", ...options });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Gone(GONE);
  }
  if (response.ok) return response.json();
  let why = "";
  try {
    const text = await response.text();
    try {
      why = JSON.parse(text).error;
    } catch {
      why = text.trim();
    }
  } catch {
    why = "";
  }
  throw new Refused(
    why || `The desk answered ${response.status}. Load the page again; should it stay so, look at the desk's terminal.`,
  );
}

const query = (values) =>
  new URLSearchParams(Object.entries(values).filter(([, v]) => v !== null && v !== undefined && v !== "")).toString();

export const get = (path, values = {}, signal = undefined) => ask(`${path}?${query(values)}`, { signal });
export const post = (path, values, body) =>
  ask(`${path}?${query(values)}`, {
    method: "POST",
    headers: { "content-type": "application/json", "x-photoaz-desk": "1" },
    body: JSON.stringify(body),
  });

/** Send a file as it is. */
export const send = (path, values, file) =>
  ask(`${path}?${query(values)}`, {
    method: "POST",
    headers: { "content-type": "application/octet-stream", "x-photoaz-desk": "1" },
    body: file,
  });

const NAME = "photoaz-desk-name";

/** The name that stands beside what is done; typed once. */
export const who = () => {
  try {
    return localStorage.getItem(NAME) || "";
  } catch {
    return who.name_ || "";
  }
};
export const setWho = (name) => {
  who.name_ = name;
  try {
    localStorage.setItem(NAME, name);
  } catch {
    /* kept for this page only */
  }
};

export const wrong = (error) => {
  if (error.name !== "AbortError") say(error.message, "wrong");
};
