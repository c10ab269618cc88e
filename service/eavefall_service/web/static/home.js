// The homeowner's five shots: sent in the background, checked at once; the page works without this script too.

import { tell } from "./messages.js";
import { Queue, showQueue, watchFiles } from "./queue.js";

const page = document.querySelector("[data-home]");
const queue = new Queue();

for (const shot of document.querySelectorAll("[data-shot]")) {
  for (const input of shot.querySelectorAll('input[id^="take-"], input[id^="pick-"]')) {
    watchFiles(input, (file) => ({
      label: shot.querySelector("h2").firstChild.textContent.trim(),
      survey: page.dataset.home,
      method: "POST",
      url: `${page.dataset.home}/shots/${shot.dataset.shot}`,
      headers: { "Content-Type": "application/octet-stream" },
      body: file,
    }), queue);
  }
}

// The server's own page says what came of each photo; only the changed shot is put in place.
queue.addEventListener("sent", async ({ detail: { entry } }) => {
  if (typeof entry.body === "string") return;
  const answer = await fetch(`${page.dataset.home}/photos`, { headers: { Accept: "text/html" } }).catch(() => null);
  if (!answer?.ok) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  const key = entry.url.split("/").pop();
  const old = document.querySelector(`[data-shot="${key}"] .taken`);
  const now = fresh.querySelector(`[data-shot="${key}"] .taken`);
  if (old && now) old.replaceWith(now);
  document.getElementById("go-on")?.replaceWith(fresh.getElementById("go-on"));
});

// Each answer is kept as it is tapped, and waits on this phone while there is no signal.
const ALL = tell("All answers");
const questions = document.querySelector("form[data-each]");
function answerEntry(fields, label) {
  return {
    label,
    survey: page.dataset.home,
    method: "POST",
    url: new URL(questions.action).pathname,
    headers: { "Content-Type": "application/x-www-form-urlencoded" },
    body: new URLSearchParams(fields).toString(),
  };
}
async function armQuestions() {
  // Answers that still wait stand where they were tapped.
  for (const entry of await queue.entries()) {
    if (entry.survey !== page.dataset.home || typeof entry.body !== "string") continue;
    for (const [name, value] of new URLSearchParams(entry.body)) {
      for (const each of questions.querySelectorAll(`input[name="${CSS.escape(name)}"]`)) each.checked = each.value === value;
    }
  }
  questions.addEventListener("change", async (event) => {
    const asked = event.target.closest("fieldset")?.querySelector("legend")?.textContent || tell("An answer");
    await queue.add(answerEntry({ [event.target.name]: event.target.value }, asked));
    queue.flush();
  });
  questions.addEventListener("submit", async (event) => {
    event.preventDefault();
    await queue.add(answerEntry(new FormData(questions), ALL));
    queue.flush();
  });
}
if (questions) armQuestions();
queue.addEventListener("sent", ({ detail: { entry, answer } }) => {
  if (entry.label === ALL && answer.next) location.assign(answer.next);
});

// Tells the office that a person has opened the link, which a messenger's preview has not.
if (page.dataset.first) fetch(`${page.dataset.home}/opened`, { method: "POST" }).catch(() => null);
showQueue(queue, page.dataset.home);
queue.flush();

// Kept for no signal: the pages of the three steps, in this browser only.
async function keepForLater() {
  if (!("serviceWorker" in navigator)) return;
  const site = document.documentElement.dataset.site || "";
  await navigator.serviceWorker.register(`${site}/sw.js`);
  await navigator.serviceWorker.ready;
  const files = [...document.querySelectorAll("link[rel=stylesheet], link[rel=icon], script[src], img[src*='/static/']")];
  const cache = await caches.open("eavefall-static");
  for (const address of [`${site}/static/queue.js`, `${site}/static/messages.js`, ...files.map((each) => each.href || each.src)]) {
    if (!(await cache.match(address))) await cache.add(address).catch(() => null);
  }
  const kept = await caches.open("eavefall-pages");
  for (const step of ["photos", "questions"]) {
    const answer = await fetch(`${page.dataset.home}/${step}`, { headers: { Accept: "text/html" } }).catch(() => null);
    if (answer?.ok && !answer.redirected) await kept.put(`${page.dataset.home}/${step}`, answer).catch(() => null);
  }
  document.documentElement.dataset.kept = "1";
}
if (document.querySelector(".crumbs")) keepForLater();
