// Measuring with the phone: what the three pages share. Facts of the survey come with the page, measures wait in
// the page's queue, and what waits is drawn as if it had arrived.

import { armAngles } from "./angles.js";
import { armPlan } from "./plan.js";
import { armTaps } from "./taps.js";

const FIELDS = { trees: ["distance", "bearing", "height", "crown_radius", "overhang"], eaves: ["length", "height", "facing"] };
const LABELS = { distance: "distance", bearing: "stands", height: "height", crown_radius: "crown radius", overhang: "overhang", length: "length", facing: "faces" };

export function armMeasure({ queue, survey, randomId }) {
  const root = document.querySelector("[data-facts]");
  const status = document.getElementById("measure-said");
  let facts = JSON.parse(root.dataset.facts);
  const watchers = [];
  const site = document.documentElement.dataset.site || "";
  const address = `${site}/rep/${survey}/measure`;
  let waiting = [];

  const context = {
    root,
    queue,
    survey,
    site,
    get facts() { return facts; },
    get waits() { return waiting.length > 0; },
    get units() { return facts.units; },
    say(text) { status.textContent = text; },
    onFacts(watch) { watchers.push(watch); },
    // Measures as the server takes them; `shown` is what the drawing needs until they have arrived.
    async send(body, label, shown = {}) {
      await queue.add({
        label,
        survey,
        method: "POST",
        url: address,
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify({ once: randomId(10), ...body }),
        shown,
      });
      await look();
      queue.flush();
    },
    // A measure that another may not take the place of: typed, or taken by a surer way.
    sure(part, field) {
      const how = part?.said?.[field] ? part.how[field] : "";
      return how && how !== "drawn" && how !== "default";
    },
  };

  // The survey's trees and eaves with what still waits for signal.
  async function look() {
    if (context.busy?.()) return; // what is being moved looks again when it has come to rest
    waiting = (await queue.entries()).filter((entry) => entry.url === address && !entry.problem);
    const next = structuredClone(context.arrived || facts);
    context.arrived ||= structuredClone(facts);
    for (const entry of waiting) {
      const body = JSON.parse(entry.body);
      for (const each of body.measures || []) {
        let part = next[each.part].find((one) => one.name === each.name);
        if (!part) next[each.part].push(part = { name: each.name, said: {}, how: {}, known: false, crown: 3.5, start: [0, 0], end: [0, 0], trunk: [0, 0] });
        if (each.field === "eave" || (context.sure(part, each.field) && !body.replace && each.how === "drawn" && each.field !== "bearing")) continue;
        part.said[each.field] = `${entry.shown.said?.[each.field] || each.value} (waits for signal)`;
        part.how[each.field] = each.how;
      }
      const shown = entry.shown;
      const part = shown.part && next[shown.part].find((one) => one.name === shown.name);
      if (part) Object.assign(part, shown.drawn || {});
      if (part && body.taps) part.said[shown.field] = "taps wait for signal";
    }
    facts = next;
    list();
    for (const watch of watchers) watch();
  }

  function list() {
    const rows = document.getElementById("measured");
    if (!rows) return;
    const item = (kind, part) => {
      const row = document.createElement("li");
      const name = document.createElement("strong");
      name.textContent = part.name;
      const said = FIELDS[kind].filter((field) => part.said[field]).map((field) => `${LABELS[field]} ${part.said[field]}`);
      const open = FIELDS[kind].filter((field) => !part.said[field]).map((field) => (LABELS[field] === "stands" ? "direction" : LABELS[field]));
      const text = document.createElement("span");
      text.textContent = said.length ? `: ${said.join("; ")}. ` : ": ";
      const todo = document.createElement("span");
      todo.className = "quiet small";
      todo.textContent = open.length ? `Not measured: ${open.join(", ")}.` : "";
      row.append(name, text, todo);
      return row;
    };
    rows.replaceChildren(...facts.eaves.map((each) => item("eaves", each)), ...facts.trees.map((each) => item("trees", each)));
  }

  function told(kept) {
    const words = [];
    const over = document.getElementById("measure-over");
    over.replaceChildren();
    for (const each of kept) {
      if (each.stored) {
        if (each.field !== "eave") words.push(`${each.name}, ${each.label}: ${each.said}`);
        continue;
      }
      words.push(`${each.name}, ${each.label}: ${each.stands} stays, it was typed or surer; measured ${each.said}`);
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = `Take ${each.said} instead`;
      button.addEventListener("click", () => {
        over.replaceChildren();
        context.send({ measures: [each.measure], replace: true }, `${each.name}: ${each.label}`);
      });
      over.append(button);
    }
    if (words.length) context.say(`${words.join(". ")}.`);
  }

  queue.addEventListener("sent", async ({ detail: { entry, answer } }) => {
    if (entry.url !== address || !answer.facts) return;
    context.arrived = answer.facts;
    told(answer.kept);
    await look();
  });
  queue.addEventListener("refused", async ({ detail: { entry, problem } }) => {
    if (entry.url !== address) return;
    context.say(problem);
    await look();
  });

  ({ plan: armPlan, taps: armTaps, angles: armAngles })[root.dataset.way](context);
  look();
}
