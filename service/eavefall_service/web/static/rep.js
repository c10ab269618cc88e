// The rep's pages: camera and queue, forms that wait for signal, big keys, counting, evidence.

import { Queue, showQueue, watchFiles } from "./queue.js";
import { armDrafts, draftOf, fill, forget, keep, mark } from "./drafts.js";
import { armEvidence } from "./evidence.js";
import { armPad } from "./pad.js";

const site = document.documentElement.dataset.site || "";
const queue = new Queue();
const page = document.querySelector("[data-survey]");
const offlineSurvey = location.hash.slice(1);
const survey = page?.dataset.survey || (/^[0-9a-f]{16}$/.test(offlineSurvey) ? offlineSurvey : "");
// The server's own limit, so that a photo is not sent for nothing.
const MOST_BYTES = Number(document.documentElement.dataset.photoBytes);

function randomId(bytes) {
  return [...crypto.getRandomValues(new Uint8Array(bytes))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

// --- photos -------------------------------------------------------------------------------------------------

function chosen(name) {
  const field = document.querySelector(`.camera [name="${name}"]:checked, .camera select[name="${name}"], .camera input[type="hidden"][name="${name}"]`);
  return field ? field.value : "";
}

function photoEntry(file) {
  if (file.size > MOST_BYTES) {
    alert(`${file.name} has more than ${MOST_BYTES / 1e6} MB. Take it at the phone's ordinary quality.`);
    return null;
  }
  const words = new URLSearchParams();
  for (const name of ["shows", "of"]) if (chosen(name)) words.set(name, chosen(name));
  let reference = chosen("reference");
  if (reference === "coin") reference = `coin:${document.getElementById("coin-mm").value.replace(",", ".")}`;
  if (reference) words.set("reference", reference);
  return {
    label: reference ? "Close-up photo" : `Photo: ${document.querySelector('.camera [name="shows"]:checked')?.parentElement.textContent.trim() || "tree"}`,
    survey,
    method: "POST",
    url: `${site}/api/1/surveys/${survey}/photos?${words}`,
    headers: { "Content-Type": "application/octet-stream" },
    body: file,
  };
}

for (const id of ["camera", "choose"]) {
  const input = document.getElementById(id);
  if (input && survey) watchFiles(input, photoEntry, queue);
}

// A card for a photo that was just taken in; polls until the needles on it are measured.
async function showCard(sha256, tries = 0) {
  const on = document.querySelector('.camera input[type="hidden"][name="shows"]')?.value || "";
  const answer = await fetch(`${site}/rep/${survey}/photos/${sha256}?on=${on}`, { headers: { Accept: "text/html" } }).catch(() => null);
  if (!answer?.ok) return;
  const holder = document.createElement("template");
  holder.innerHTML = await answer.text();
  const card = holder.content.querySelector("article");
  if (!card) return;
  const list = document.getElementById("photos");
  const wanted = Boolean(document.querySelector(".camera.gauge")) === Boolean(card.dataset.gauge);
  if (!list || !wanted) return;
  const old = document.getElementById(card.id);
  if (old) old.replaceWith(card); else list.prepend(card);
  document.getElementById("no-photos")?.remove();
  const count = document.getElementById("photo-count");
  if (count) count.textContent = `(${list.querySelectorAll("article").length})`;
  armEvidence(card);
  if (card.dataset.state === "stored" && tries < 60) setTimeout(() => showCard(sha256, tries + 1), 1000);
}

queue.addEventListener("sent", ({ detail: { entry, answer } }) => {
  if (answer.sha256 && entry.survey === survey) showCard(answer.sha256);
  else if (answer.next && entry.survey === survey && !page?.dataset.offline) settle(answer.next);
});

// --- forms ----------------------------------------------------------------------------------------------------

// After the last waiting form was taken, the page shows the new state.
let next = "";
function settle(address) { next = address; }
addEventListener("pageshow", () => { document.body.inert = false; });
queue.addEventListener("change", async () => {
  if (!next || queue.state !== "idle") return;
  if ((await queue.entries()).some((entry) => !entry.problem)) return;
  const target = next;
  next = "";
  // The page is about to go: a tap that lands on it now would be lost half-way.
  document.body.inert = true;
  if (new URL(target, location.href).href.split("#")[0] === location.href.split("#")[0]) location.reload();
  else location.assign(target);
});

async function queueForm(form, button) {
  const fields = new URLSearchParams();
  for (const [name, value] of new FormData(form)) if (typeof value === "string") fields.append(name, value);
  if (button?.name) fields.set(button.name, button.value);
  if (form.querySelector("[data-once]")) fields.set("once", randomId(12));
  const id = await queue.add({
    label: form.dataset.queue,
    survey,
    draft: form.dataset.draft || "",
    method: "POST",
    url: new URL(form.action).pathname,
    headers: { "Content-Type": "application/x-www-form-urlencoded" },
    body: fields.toString(),
  });
  // Not before it is safe in the queue: the page may be left at any moment.
  if (form.dataset.draft !== undefined) forget(form);
  await queue.flush();
  // Still waiting for signal: it is safe in the queue, and the form is free for the next one.
  if ((await queue.entries()).some((entry) => entry.id === id && !entry.problem)) {
    if (form.dataset.draft !== undefined) form.reset();
    form.querySelector("button.go[disabled]")?.removeAttribute("disabled");
  }
}

function formOf(entry) {
  const key = new URLSearchParams(entry.body).get("key") || "";
  return [...document.querySelectorAll("form[data-draft]")].find(
    (form) => new URL(form.action).pathname === entry.url && (form.elements.key?.value || "") === key
      && form.dataset.draft === (entry.draft || ""));
}

// What was refused goes back into its form, with what is wrong said at each field.
async function giveBack(entry, fields) {
  const form = typeof entry.body === "string" && fields.length ? formOf(entry) : null;
  if (!form) return false;
  const draft = draftOf(form);
  // Given back already, and a reload came before it left the queue: what was typed since is the newer.
  if (draft?.gave !== entry.id) {
    // Something else is being typed there: neither may cost the other, so this one stays in the queue.
    if (draft) return false;
    fill(form, Object.fromEntries(new URLSearchParams(entry.body)));
    keep(form, fields, entry.id);
    mark(form, fields);
  }
  await queue.drop(entry.id);
  return true;
}
(async () => {
  for (const entry of await queue.entries()) if (entry.problem && entry.survey === survey) await giveBack(entry, entry.fields || []);
})();

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.ask && !confirm(form.dataset.ask)) { event.preventDefault(); return; }
  if (form.dataset.queue && survey) {
    event.preventDefault();
    queueForm(form, event.submitter);
    if (form.id) form.querySelector("button.go")?.setAttribute("disabled", "");
  }
});
queue.addEventListener("refused", async ({ detail: { entry, fields } }) => {
  document.querySelectorAll("button.go[disabled]").forEach((button) => button.removeAttribute("disabled"));
  if (await giveBack(entry, fields)) return;
  document.getElementById("queue")?.scrollIntoView({ block: "center" });
});
document.addEventListener("change", (event) => {
  const form = event.target.closest("form[data-auto]");
  if (form) form.requestSubmit();
});

// A new survey also starts without signal: the phone makes its id, the server learns of it later.
const starter = document.getElementById("new-survey");
starter?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const id = randomId(8);
  const fields = new URLSearchParams({ id, name: starter.elements.name.value });
  await queue.add({
    label: `New survey: ${starter.elements.name.value}`,
    survey: id,
    method: "POST",
    url: `${site}/rep/surveys`,
    headers: { "Content-Type": "application/x-www-form-urlencoded" },
    body: fields.toString(),
  });
  await queue.flush();
  const waits = (await queue.entries()).filter((entry) => entry.survey === id);
  if (waits.some((entry) => entry.problem)) return;
  location.assign(`${site}/rep/${waits.length ? "offline#" : ""}${id}`);
});

// --- the page kept for no signal ------------------------------------------------------------------------------

if (page?.dataset.offline) {
  // Another survey begun on this phone is another page of the same address.
  addEventListener("hashchange", () => location.reload());
  const told = document.getElementById("offline-survey");
  if (survey) {
    told.hidden = false;
    told.textContent = "What you add now belongs to the survey you just started.";
    for (const form of document.querySelectorAll("form[data-part]")) form.action = `${site}/rep/${survey}/${form.dataset.part}`;
    queue.addEventListener("change", async () => {
      if (queue.state === "idle" && !(await queue.entries()).length) location.assign(`${site}/rep/${survey}`);
    });
  } else {
    document.getElementById("offline-parts").hidden = true;
    told.hidden = false;
    told.textContent = "Open a survey that you had open before, or start a new one.";
  }
}

// --- evidence, copying, counting ------------------------------------------------------------------------------

armEvidence(document);
for (const card of document.querySelectorAll('article[data-state="stored"]')) showCard(card.dataset.sha);

for (const button of document.querySelectorAll("[data-copy]")) {
  button.addEventListener("click", async () => {
    const field = document.getElementById(button.dataset.copy);
    field.select();
    await navigator.clipboard?.writeText(field.value);
    button.textContent = "Copied";
  });
}

for (const button of document.querySelectorAll("[data-share]")) {
  if (!navigator.share) continue;
  button.hidden = false;
  button.addEventListener("click", () => {
    navigator.share({ title: button.dataset.shareTitle, url: document.getElementById(button.dataset.share).value }).catch(() => null);
  });
}

const coin = document.querySelector("[data-coin]");
for (const choice of document.querySelectorAll('.gauge [name="reference"]')) {
  choice.addEventListener("change", () => { document.querySelector(".coin").hidden = !coin.checked; });
}

const drops = document.getElementById("drop-form");
if (drops) {
  const seen = [];
  const count = (kind) => seen.filter((each) => each === kind).length;
  drops.addEventListener("click", (event) => {
    const kind = event.target.dataset.count;
    if (!kind) return;
    if (kind === "undo") seen.pop(); else seen.push(kind);
    drops.elements.dropped.value = seen.length;
    drops.elements.passed.value = count("passed");
    drops.elements.lodged.value = count("lodged");
    document.getElementById("drop-state").textContent =
      `${seen.length} dropped: ${count("passed")} through, ${count("lodged")} stuck, ${count("stayed")} on top`;
  });
}

document.querySelector("[data-sign-out]")?.addEventListener("submit", () => caches?.delete("eavefall-pages"));
for (const button of document.querySelectorAll("[data-usual]")) {
  button.addEventListener("click", () => {
    for (const [name, value] of Object.entries(JSON.parse(button.dataset.usual))) {
      const field = button.form.elements[name];
      if (!field || field.value) continue;
      field.value = value;
      for (let box = field.closest("details"); box; box = box.parentElement.closest("details")) box.open = true;
    }
    keep(button.form);
    button.textContent = "Filled in; change what differs";
  });
}

armPad();
armDrafts();
if (survey && document.querySelector("[data-facts]")) import("./measure.js").then(({ armMeasure }) => armMeasure({ queue, survey, randomId }));
showQueue(queue, survey);
queue.flush();

// Kept for no signal: this page's own files, and the survey's other pages before they are first opened.
async function keepForLater() {
  if (!("serviceWorker" in navigator)) return;
  await navigator.serviceWorker.register(`${site}/sw.js`);
  await navigator.serviceWorker.ready;
  const files = [...document.querySelectorAll("link[rel=stylesheet], link[rel=icon], script[src], img[src*='/static/']")];
  const cache = await caches.open("eavefall-static");
  for (const address of [...["queue", "messages", "drafts", "pad", "evidence", "measure", "sight", "plan", "taps", "angles"].map((name) => `${site}/static/${name}.js`), ...files.map((each) => each.href || each.src)]) {
    if (!(await cache.match(address))) await cache.add(address).catch(() => null);
  }
  const kept = await caches.open("eavefall-pages");
  if (!page?.dataset.survey) {
    // Anew at each visit: this person's units, and the addresses of today's files.
    const shell = await fetch(`${site}/rep/offline`, { headers: { Accept: "text/html" } }).catch(() => null);
    if (shell?.ok && !shell.redirected) await kept.put(`${site}/rep/offline`, shell).catch(() => null);
    document.documentElement.dataset.kept = "1";
    return;
  }
  for (const tab of ["", "/trees", "/house", "/measure", "/plan", "/taps", "/angles", "/needles", "/drop-test"]) {
    const address = `${site}/rep/${survey}${tab}`;
    const answer = await fetch(address, { headers: { Accept: "text/html" } }).catch(() => null);
    // The signal may go in the middle of a page, or the phone be full: then the next visit keeps it.
    if (answer?.ok && !answer.redirected) await kept.put(address, answer).catch(() => null);
  }
  document.documentElement.dataset.kept = "1";
}
keepForLater();
