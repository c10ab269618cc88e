// The homeowner's five shots: sent in the background, checked at once; the page works without this script too.

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
  const answer = await fetch(`${page.dataset.home}/photos`, { headers: { Accept: "text/html" } }).catch(() => null);
  if (!answer?.ok) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  const key = entry.url.split("/").pop();
  const old = document.querySelector(`[data-shot="${key}"] .taken`);
  const now = fresh.querySelector(`[data-shot="${key}"] .taken`);
  if (old && now) old.replaceWith(now);
  document.getElementById("go-on")?.replaceWith(fresh.getElementById("go-on"));
});

// Tells the office that a person has opened the link, which a messenger's preview has not.
if (page.dataset.first) fetch(`${page.dataset.home}/opened`, { method: "POST" }).catch(() => null);
showQueue(queue);
queue.flush();
