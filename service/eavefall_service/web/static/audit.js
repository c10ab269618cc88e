// The audit by keyboard. Keys do nothing while something is typed.

const page = document.querySelector(".audit");
const rows = [...document.querySelectorAll("[data-row]")];
const photos = [...document.querySelectorAll("[data-photo]")];
let photo = -1;

function go(id) { if (id) location.assign(`/office/s/${id}`); }

function toPhoto(step) {
  if (!photos.length) return;
  photo = Math.min(photos.length - 1, Math.max(0, photo + step));
  photos[photo].focus();
  photos[photo].scrollIntoView({ block: "start" });
}

function open(id) {
  const box = document.getElementById(id);
  if (!box) return;
  box.open = true;
  box.querySelector("select, textarea").focus();
}

function evidence(button) {
  const picture = button.closest("article").querySelector(".frame img");
  picture.dataset.plain ||= picture.src;
  const on = button.getAttribute("aria-pressed") === "true";
  button.parentElement.querySelectorAll("[data-evidence]").forEach((each) => each.setAttribute("aria-pressed", "false"));
  button.setAttribute("aria-pressed", String(!on));
  picture.src = on ? picture.dataset.plain : button.dataset.evidence;
}

for (const button of document.querySelectorAll("[data-evidence]")) button.addEventListener("click", () => evidence(button));

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
  x: () => open("correct"),
  b: () => open("send-back"),
  "/": () => {
    const field = document.getElementById("search");
    if (field) field.focus(); else location.assign("/office/surveys");
  },
};
for (const number of [1, 2, 3]) {
  KEYS[number] = () => {
    const button = photos[Math.max(photo, 0)]?.querySelectorAll("[data-evidence]")[number - 1];
    if (button) evidence(button);
  };
}

document.addEventListener("keydown", (event) => {
  const typing = /^(INPUT|TEXTAREA|SELECT)$/.test(document.activeElement.tagName);
  if (typing) {
    if (event.key === "Escape") document.activeElement.blur();
    return;
  }
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const act = KEYS[event.key.toLowerCase()];
  if (act) { event.preventDefault(); act(); }
});
