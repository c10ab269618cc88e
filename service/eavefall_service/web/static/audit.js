// The audit by keyboard. Keys do nothing while something is typed.

import { armDrafts, forgetAll } from "./drafts.js";
import { armEvidence } from "./evidence.js";

const page = document.querySelector(".audit");
const rows = [...document.querySelectorAll("[data-row]")];
const photos = [...document.querySelectorAll("[data-photo]")];
let photo = -1;

const site = document.documentElement.dataset.site || "";
function go(id) { if (id) location.assign(`${site}/office/s/${id}`); }

function toPhoto(step) {
  if (!photos.length) return;
  photo = Math.min(photos.length - 1, Math.max(0, photo + step));
  photos[photo].focus();
  photos[photo].scrollIntoView({ block: "start" });
}

function open(id) {
  const box = document.getElementById(id);
  if (!box) return;
  // One at a time, so that the answer stays in view.
  for (const other of document.querySelectorAll(".decide details")) other.open = other === box;
  box.querySelector("select, textarea").focus();
}

armEvidence(document);

// What was typed for a decision is kept until the decision is made, which the next page's address tells.
const asked = new URLSearchParams(location.search);
if (asked.get("did")) for (const id of (asked.get("ids") || "").split(",")) forgetAll(`/office/s/${id}/`);
armDrafts();

function toRow(step) {
  const at = rows.indexOf(document.activeElement);
  rows[Math.min(rows.length - 1, Math.max(0, at + step))]?.focus();
}

const KEYS = {
  j: () => (page ? go(page.dataset.after) : toRow(1)),
  k: () => (page ? go(page.dataset.before) : toRow(-1)),
  n: () => toPhoto(1),
  p: () => toPhoto(-1),
  c: () => document.getElementById("confirm")?.click(),
  z: () => document.getElementById("undo")?.click(),
  x: () => open("correct"),
  b: () => open("send-back"),
  "/": () => {
    const field = document.getElementById("search");
    if (field) field.focus(); else location.assign(`${site}/office/surveys`);
  },
};
for (const number of [1, 2, 3]) {
  KEYS[number] = () => {
    const button = photos[Math.max(photo, 0)]?.querySelectorAll("[data-evidence]")[number - 1];
    button?.click();
  };
}

document.addEventListener("keydown", (event) => {
  // A tick takes no letters.
  const typing = document.activeElement.matches("input:not([type=checkbox]), textarea, select");
  if (typing) {
    if (event.key === "Escape") document.activeElement.blur();
    return;
  }
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const act = KEYS[event.key.toLowerCase()];
  if (act) { event.preventDefault(); act(); }
});
