// A queue of requests in IndexedDB: photos and forms wait here through reloads and hours without signal.
// Each entry is sent on its own, oldest first; only an answer from the server takes it out again.

import { tell } from "./messages.js";

const NAME = "eavefall";
const STORE = "requests";
const RETRY_S = [2, 4, 8, 15, 30, 60];

function open() {
  return new Promise((resolve, reject) => {
    const asking = indexedDB.open(NAME, 1);
    asking.onupgradeneeded = () => asking.result.createObjectStore(STORE, { keyPath: "id", autoIncrement: true });
    asking.onsuccess = () => resolve(asking.result);
    asking.onerror = () => reject(asking.error);
  });
}

async function inStore(mode, work) {
  const database = await open();
  try {
    return await new Promise((resolve, reject) => {
      const transaction = database.transaction(STORE, mode);
      const asking = work(transaction.objectStore(STORE));
      transaction.oncomplete = () => resolve(asking.result);
      transaction.onerror = () => reject(transaction.error);
      transaction.onabort = () => reject(transaction.error);
    });
  } finally {
    database.close();
  }
}

// XMLHttpRequest, because fetch cannot tell how much has been sent.
function send(entry, onProgress) {
  return new Promise((resolve) => {
    const request = new XMLHttpRequest();
    request.open(entry.method, entry.url);
    request.timeout = 1000 * Number(document.documentElement.dataset.uploadS);
    request.setRequestHeader("Accept", "application/json");
    for (const [name, value] of Object.entries(entry.headers || {})) request.setRequestHeader(name, value);
    request.upload.onprogress = (event) => event.lengthComputable && onProgress(event.loaded / event.total);
    request.onload = () => {
      let answer = {};
      try { answer = JSON.parse(request.responseText); } catch { answer = {}; }
      resolve({ status: request.status, answer, wait: Number(request.getResponseHeader("Retry-After")) || 0 });
    };
    request.onerror = request.ontimeout = request.onabort = () => resolve({ status: 0, answer: {}, wait: 0 });
    request.send(entry.body);
  });
}

export class Queue extends EventTarget {
  constructor() {
    super();
    this.progress = new Map();
    this.state = "idle";
    this.tries = 0;
    this.timer = 0;
    addEventListener("online", () => this.flush());
    document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && this.flush());
  }

  entries() { return inStore("readonly", (store) => store.getAll()); }

  async add(entry) {
    const id = await inStore("readwrite", (store) => store.add({ made: Date.now(), problem: "", ...entry }));
    this.changed();
    return id;
  }

  async drop(id) {
    await inStore("readwrite", (store) => store.delete(id));
    this.progress.delete(id);
    this.changed();
  }

  changed() { this.dispatchEvent(new Event("change")); }

  // One page at a time empties the queue, however many are open.
  flush() {
    clearTimeout(this.timer);
    if (!navigator.locks) return this.running || (this.running = this.empty().finally(() => { this.running = null; }));
    return navigator.locks.request("eavefall-queue", { ifAvailable: true }, (lock) => lock && this.empty());
  }

  async empty() {
    for (;;) {
      const entry = (await this.entries()).find((each) => !each.problem);
      if (!entry) break;
      this.set("sending");
      const { status, answer, wait } = await send(entry, (share) => { this.progress.set(entry.id, share); this.changed(); });
      if (status >= 200 && status < 300) {
        this.tries = 0;
        await this.drop(entry.id);
        this.dispatchEvent(new CustomEvent("sent", { detail: { entry, answer } }));
      } else if (status === 401) {
        this.set("signed out");
        return;
      } else if (status === 0 || status === 408 || status === 429 || status >= 500) {
        this.progress.delete(entry.id);
        const seconds = Math.max(wait, RETRY_S[Math.min(this.tries, RETRY_S.length - 1)]);
        this.tries += 1;
        this.set(status === 0 ? "no signal" : "busy");
        this.timer = setTimeout(() => this.flush(), seconds * 1000);
        return;
      } else {
        const problem = [answer.detail || answer.title || tell("Refused ({status}).", { status }), answer.hint || ""].join(" ").trim();
        await inStore("readwrite", (store) => store.put({ ...entry, problem, code: answer.code || "", fields: answer.fields || [] }));
        this.changed();
        this.dispatchEvent(new CustomEvent("refused", { detail: { entry, problem, code: answer.code || "", fields: answer.fields || [] } }));
      }
    }
    this.set("idle");
  }

  set(state) {
    this.state = state;
    this.changed();
  }
}

const WORDS = {
  "idle": "",
  "sending": tell("Sending…"),
  "no signal": tell("No signal. They stay on this phone and go out by themselves."),
  "busy": tell("The server is busy. Trying again by itself."),
  "signed out": "You are signed out. Sign in again; nothing here is lost.",
};

// Shows the queue in the page's #queue section: on a survey's own pages only what belongs to that survey.
export function showQueue(queue, survey = "") {
  const section = document.getElementById("queue");
  const list = document.getElementById("queue-list");
  if (!section) return;
  const pictures = new Map();

  function row(entry) {
    const item = document.createElement("li");
    item.dataset.entry = entry.id;
    if (entry.body instanceof Blob) {
      if (!pictures.has(entry.id)) pictures.set(entry.id, URL.createObjectURL(entry.body));
      const picture = document.createElement("img");
      picture.src = pictures.get(entry.id);
      picture.alt = "";
      picture.onerror = () => picture.remove();
      item.append(picture);
    }
    const text = document.createElement("div");
    text.className = "grow";
    text.textContent = entry.label;
    if (entry.problem) {
      const problem = document.createElement("p");
      problem.className = "note bad";
      problem.textContent = entry.problem;
      text.append(problem);
    } else {
      const bar = document.createElement("progress");
      bar.max = 1;
      bar.value = queue.progress.get(entry.id) || 0;
      bar.setAttribute("aria-label", tell("Sending {label}", { label: entry.label }));
      text.append(bar);
    }
    item.append(text);
    if (entry.problem && !survey && /^[0-9a-f]{16}$/.test(entry.survey)) {
      const there = document.createElement("a");
      there.className = "button";
      there.href = `${document.documentElement.dataset.site || ""}/rep/${entry.survey}`;
      there.textContent = "Open its survey";
      item.append(there);
    }
    if (!entry.problem && !survey && entry.url.endsWith("/rep/surveys")) {
      const on = document.createElement("a");
      on.className = "button";
      on.href = `${document.documentElement.dataset.site || ""}/rep/offline#${entry.survey}`;
      on.textContent = "Go on with it";
      item.append(on);
    }
    if (entry.problem) {
      const away = document.createElement("button");
      away.type = "button";
      away.className = "small";
      away.textContent = tell("Put away");
      away.onclick = () => queue.drop(entry.id);
      item.append(away);
    }
    return item;
  }

  let shown = "";
  async function show() {
    const entries = (await queue.entries()).filter((entry) => !survey || entry.survey === survey);
    section.hidden = entries.length === 0;
    const waiting = entries.filter((entry) => !entry.problem).length;
    document.getElementById("queue-title").textContent =
      waiting ? tell("Waiting to be sent: {waiting}", { waiting }) : tell("Not accepted");
    document.getElementById("queue-now").hidden = waiting === 0;
    const state = document.getElementById("queue-state");
    const words = WORDS[queue.state];
    if (state.textContent !== words) state.textContent = words;
    const key = JSON.stringify(entries.map((entry) => [entry.id, entry.problem]));
    if (key !== shown) {
      shown = key;
      list.replaceChildren(...entries.map(row));
      for (const [id, url] of pictures) {
        if (!entries.some((entry) => entry.id === id)) { URL.revokeObjectURL(url); pictures.delete(id); }
      }
    } else {
      for (const bar of list.querySelectorAll("progress")) {
        bar.value = queue.progress.get(Number(bar.closest("li").dataset.entry)) || 0;
      }
    }
  }

  queue.addEventListener("change", show);
  document.getElementById("queue-now")?.addEventListener("click", () => { queue.tries = 0; queue.flush(); });
  show();
}

// A photo input hands its files to the queue.
export function watchFiles(input, makeEntry, queue) {
  async function take() {
    const files = [...input.files];
    input.value = "";
    for (const file of files) {
      const entry = makeEntry(file);
      if (entry) await queue.add(entry);
    }
    queue.flush();
  }
  input.addEventListener("change", take);
  // Chosen before this script had loaded.
  if (input.files.length) take();
}
