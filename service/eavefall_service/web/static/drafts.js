// What is typed into a form is kept on this phone at every key, until the server has taken it.

const START = "eavefall-draft:";

function keyOf(form) {
  // One draft for each form and each tree or eave that it changes; the page's own survey is in its address.
  return START + new URL(form.action).pathname + "#" + (form.elements.key?.value || form.dataset.draft);
}

function fields(form) {
  return [...form.elements].filter((each) => each.name && each.type !== "file" && each.type !== "submit"
    && (each.type !== "hidden" || each.name === "seen" || each.name.startsWith("how.") || each.name.startsWith("sd.")));
}

function isChanged(each) {
  if (each.type === "radio" || each.type === "checkbox") return each.checked !== each.defaultChecked;
  if (each.tagName === "SELECT") return [...each.options].some((option) => option.selected !== option.defaultSelected) && each.value !== ([...each.options].find((option) => option.defaultSelected)?.value ?? each.options[0]?.value);
  return each.value !== each.defaultValue;
}

// The draft of a form, or null: what was typed (`kept`), what of it was refused (`wrong`), and the waiting entry
// that it was given back from (`gave`).
export function draftOf(form) { return JSON.parse(localStorage.getItem(keyOf(form)) || "null"); }

// `wrong` is what the server refused, to be said again after a reload: [{field, message}].
export function keep(form, wrong = [], gave = draftOf(form)?.gave) {
  const kept = {};
  for (const each of fields(form)) {
    if (each.name === "seen") continue;
    if (each.type === "radio") { if (isChanged(each) && each.checked) kept[each.name] = each.value; }
    else if (each.type === "checkbox") { if (isChanged(each)) kept[each.name] = each.checked; }
    else if (isChanged(each)) kept[each.name] = each.value;
  }
  try {
    if (!Object.keys(kept).length) localStorage.removeItem(keyOf(form));
    else localStorage.setItem(keyOf(form), JSON.stringify({ seen: form.elements.seen?.value || "", kept, wrong, gave }));
  } catch { /* a full phone keeps less, and says nothing that is untrue */ }
}

export function forget(form) { localStorage.removeItem(keyOf(form)); }

export function forgetAll(part) {
  for (const name of Object.keys(localStorage)) if (name.startsWith(START) && name.includes(part)) localStorage.removeItem(name);
}

function restore(form) {
  const draft = draftOf(form);
  if (!draft) return;
  const { seen, kept, wrong } = draft;
  // What was typed before this script had loaded is newer than what was kept.
  const typed = new Set(fields(form).filter((each) => !["radio", "checkbox", "hidden"].includes(each.type) && isChanged(each)).map((each) => each.name));
  fill(form, Object.fromEntries(Object.entries(kept).filter(([name]) => !typed.has(name))), seen);
  if (typed.size) keep(form, wrong);
  if (wrong?.length) mark(form, wrong);
  const told = form.querySelector("[data-draft-told]");
  if (told) told.hidden = false;
}

// Puts texts back into a form's fields. The server learns since when they were typed (`seen`), so that it can
// tell what others wrote meanwhile.
export function fill(form, kept, seen = "") {
  if (seen && form.elements.seen) form.elements.seen.value = seen;
  for (const each of fields(form)) {
    if (!(each.name in kept) || each.name === "seen") continue;
    if (each.type === "radio") each.checked = each.value === kept[each.name];
    else if (each.type === "checkbox") each.checked = kept[each.name];
    else each.value = kept[each.name];
    for (let box = each.closest("details"); box; box = box.parentElement.closest("details")) box.open = true;
  }
}

export function mark(form, wrong) {
  form.querySelectorAll(".wrong").forEach((each) => each.remove());
  form.querySelectorAll("[aria-invalid]").forEach((each) => each.removeAttribute("aria-invalid"));
  let first = null;
  for (const { field, message } of wrong) {
    const named = form.elements[field];
    const input = named instanceof RadioNodeList ? named[0] : named;
    const told = document.createElement("p");
    told.className = "wrong";
    told.id = `w-${form.id}-${field}`;
    told.textContent = message;
    if (!input) { form.prepend(told); continue; }
    input.setAttribute("aria-invalid", "true");
    input.setAttribute("aria-describedby", told.id);
    (input.closest("fieldset, .measure") || input.closest("label")?.parentElement || input.parentElement).append(told);
    for (let box = input.closest("details"); box; box = box.parentElement.closest("details")) box.open = true;
    first ||= input;
  }
  (first || form.querySelector("button.go, button"))?.focus();
}

export function armDrafts() {
  for (const form of document.querySelectorAll("form[data-draft]")) {
    restore(form);
    form.addEventListener("input", () => keep(form));
    form.addEventListener("change", () => keep(form));
    form.querySelector("[data-draft-drop]")?.addEventListener("click", () => {
      localStorage.removeItem(keyOf(form));
      form.reset();
      mark(form, []);
      form.querySelector("[data-draft-told]").hidden = true;
    });
  }
}
