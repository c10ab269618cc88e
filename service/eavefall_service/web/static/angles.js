// Clinometer and compass: the phone's own motion sensors through the back camera's line of sight, three readings
// each, heights by the tangent method. Works without signal; what is kept waits in the page's queue.

import { metres } from "./pad.js";
import { BEARING_SD_DEG, compassPoint, elevation, heading, heightFromAngles, lengthText, mean, meanBearing, sdText, spread, usualSd } from "./sight.js";

const READINGS = 3;
// As long as a hand is held still for.
const STILL_MS = 400;

export function armAngles(context) {
  const get = (id) => document.getElementById(id);
  const target = get("angle-target");
  const state = { base: [], top: [], bearing: [], paces: 0, found: null };
  let latest = null; // { elevation, heading, moment }
  let recent = [];
  let live = false;
  let chosen = false;

  // --- what is measured ---------------------------------------------------------------------------------------

  function targets() {
    const rows = [];
    for (const tree of context.facts.trees) {
      rows.push(["trees", tree.name, "height", `${tree.name}: height`], ["trees", tree.name, "bearing", `${tree.name}: direction from the house`]);
    }
    for (const eave of context.facts.eaves) {
      rows.push(["eaves", eave.name, "height", `${eave.name}: height above ground`], ["eaves", eave.name, "facing", `${eave.name}: where it faces`]);
    }
    return rows;
  }

  function fill() {
    const before = target.value;
    target.replaceChildren(...targets().map(([kind, name, field, text]) => {
      const done = context.sure(context.facts[kind].find((each) => each.name === name), field);
      return new Option(done ? `${text} ✓` : text, JSON.stringify([kind, name, field]));
    }));
    // Until somebody chooses, what is open first: trees that wait for signal come a moment after the page.
    const open = [...target.options].findIndex((each) => !each.text.endsWith("✓"));
    if (!chosen) target.selectedIndex = Math.max(0, open);
    else if ([...target.options].some((each) => each.value === before)) target.value = before;
    work();
  }

  const what = () => (target.value ? JSON.parse(target.value) : ["trees", "", "height"]);
  const isHeight = () => what()[2] === "height";

  function clear() {
    Object.assign(state, { base: [], top: [], bearing: [], found: null });
    work();
  }

  // --- sensors ------------------------------------------------------------------------------------------------

  async function start() {
    if (live) return true;
    if (!("DeviceOrientationEvent" in window)) return missing();
    const ask = DeviceOrientationEvent.requestPermission;
    if (ask && (await ask.call(DeviceOrientationEvent).catch(() => "denied")) !== "granted") {
      context.say("The phone does not let this page read its tilt. Allow motion and orientation for it, or type the angles.");
      return false;
    }
    live = true;
    const read = (event) => {
      if (event.beta === null || event.gamma === null) return;
      const north = typeof event.webkitCompassHeading === "number" ? event.webkitCompassHeading
        : event.absolute || event.type === "deviceorientationabsolute" ? heading(event.alpha, event.beta, event.gamma) : null;
      const seen = { elevation: elevation(event.beta, event.gamma), heading: north ?? latest?.heading ?? null, moment: performance.now() };
      latest = seen;
      recent = [...recent.filter((each) => seen.moment - each.moment < STILL_MS), seen];
      get("angle-live").textContent = `${seen.elevation.toFixed(1)}°${seen.heading === null ? "" : `, ${compassPoint(trueNorth(seen.heading))}`}`;
    };
    addEventListener("deviceorientationabsolute", read);
    addEventListener("deviceorientation", read);
    get("angle-start").hidden = true;
    return true;
  }

  function missing() {
    context.say("This phone or browser has no tilt sensor that a page can read. Type the angles from a clinometer instead.");
    get("angle-typed").open = true;
    return false;
  }

  async function look() {
    await start();
    const video = get("angle-video");
    const stream = await navigator.mediaDevices?.getUserMedia({ video: { facingMode: "environment" } }).catch(() => null);
    if (!stream) { context.say("No camera picture: sight along the back of the phone as if through its camera."); return; }
    video.srcObject = stream;
    get("angle-view").hidden = false;
    await video.play().catch(() => null);
    addEventListener("pagehide", () => stream.getTracks().forEach((track) => track.stop()), { once: true });
  }

  const trueNorth = (magnetic) => (magnetic + (context.facts.declination?.deg ?? 0) + 360) % 360;

  async function take(name) {
    if (!(await start())) return;
    // The sensor speaks some time after it is asked for the first time.
    const until = performance.now() + 3000;
    while (!latest && performance.now() < until) await new Promise((done) => setTimeout(done, 50));
    if (!latest) { live = false; missing(); return; }
    const now = performance.now();
    const still = recent.filter((each) => now - each.moment < STILL_MS);
    const seen = still.length ? still : [latest];
    if (name === "bearing") {
      const north = seen.map((each) => each.heading).filter((each) => each !== null);
      if (!north.length) { context.say("This phone gives no compass to a page. Put the tree on the plan instead."); return; }
      add(name, meanBearing(north).deg);
    } else add(name, mean(seen.map((each) => each.elevation)));
  }

  function add(name, value) {
    if (state[name].length >= READINGS) state[name] = [];
    state[name].push(value);
    work();
    const said = state[name].map((each) => (name === "bearing" ? `${Math.round(trueNorth(each))}°` : `${each.toFixed(1)}°`)).join(", ");
    const word = { base: "Base", top: "Top", bearing: "Direction" }[name];
    context.say(`${word}: ${said}${state[name].length < READINGS ? `; ${READINGS - state[name].length} more` : ""}.${state.found ? ` ${state.found.said}.` : ""}`);
  }

  // --- the answer ---------------------------------------------------------------------------------------------

  function distance() {
    const taped = metres(get("angle-taped").value);
    if (taped > 0) return { value: taped, how: "taped" };
    const paced = state.paces * metres(get("angle-pace").value);
    return paced > 0 ? { value: paced, how: "paced" } : null;
  }

  function work() {
    const height = isHeight();
    get("angle-height").hidden = !height;
    get("angle-bearing").hidden = height;
    get("angle-facing-how").hidden = what()[2] !== "facing";
    get("angle-tree-how").hidden = what()[2] !== "bearing";
    for (const name of ["base", "top", "bearing"]) {
      const shown = state[name].map((each) => (name === "bearing" ? `${Math.round(trueNorth(each))}°` : `${each.toFixed(1)}°`));
      const scatter = state[name].length > 1 ? `, spread ${(name === "bearing" ? meanBearing(state[name]).spread : spread(state[name])).toFixed(1)}°` : "";
      get(`${name}-readings`).textContent = shown.length ? `${shown.join(", ")}${scatter}` : "no reading yet";
    }
    const paced = state.paces * metres(get("angle-pace").value);
    get("angle-paces").textContent = `${state.paces} paces${paced > 0 ? `, ${lengthText(paced, context.units)}` : ""}`;
    state.found = null;
    let text = "";
    if (height) {
      const away = distance();
      if (!away) text = "Still to do: how far you are from it.";
      else if (!state.base.length || !state.top.length) text = `Still to do: read the ${state.base.length ? "top" : "base"}.`;
      else {
        const found = heightFromAngles(away.value, usualSd(away.how, away.value), state.top, state.base);
        if (found.problem) text = found.problem;
        else state.found = { value: `${found.value.toFixed(3)} m`, sd: `${found.sd.toFixed(3)} m`, said: `${lengthText(found.value, context.units)} ± ${sdText(found.sd, context.units)}` };
      }
    } else if (state.bearing.length) {
      const { deg, spread: scatter } = meanBearing(state.bearing.map(trueNorth));
      const sd = Math.max(BEARING_SD_DEG.angle, scatter);
      state.found = { value: `${deg.toFixed(1)} deg`, sd: `${sd.toFixed(0)} deg`, said: `${compassPoint(deg)} (${Math.round(deg)}°) ± ${sd.toFixed(0)}°` };
    }
    get("angle-found").textContent = state.found ? state.found.said : "";
    get("angle-found").hidden = !state.found;
    get("angle-hint").textContent = text;
    get("angle-keep").disabled = !state.found;
    const turned = context.facts.declination;
    get("angle-north").textContent = turned
      ? `Compass corrected by ${turned.deg > 0 ? "+" : "−"}${Math.abs(turned.deg).toFixed(1)}° for ${turned.place}.`
      : "Not corrected for magnetic north: choose the nearest city on the House page, or put the tree right on the plan.";
  }

  async function keep() {
    if (!state.found) return;
    chosen = true;
    const [kind, name, field] = what();
    const { value, sd, said } = state.found;
    const measures = [{ part: kind, name, field, value, sd, how: "angle" }];
    const at = target.selectedIndex;
    clear();
    await context.send({ measures }, `${name}: ${{ height: "height", bearing: "direction", facing: "where it faces" }[field]}`, { part: kind, name, said: { [field]: said } });
    context.say(`${name}: ${said}, kept.`);
    if (target.selectedIndex !== at) return; // they chose another one meanwhile
    // On to the next that is still open.
    const rows = [...target.options];
    const next = rows.findIndex((each, row) => row > at && !each.text.endsWith("✓"));
    if (next >= 0) { target.selectedIndex = next; state.paces = 0; work(); }
    if (document.activeElement === document.body) target.focus(); // the button is off now
  }

  for (const button of document.querySelectorAll("[data-read]")) button.addEventListener("click", () => { chosen = true; take(button.dataset.read); });
  get("angle-start").addEventListener("click", start);
  get("angle-look").addEventListener("click", look);
  get("angle-keep").addEventListener("click", keep);
  get("angle-clear").addEventListener("click", () => { clear(); context.say("Readings cleared."); });
  get("pace-more").addEventListener("click", () => { chosen = true; state.paces += 1; get("angle-taped").value = ""; work(); });
  get("pace-less").addEventListener("click", () => { state.paces = Math.max(0, state.paces - 1); work(); });
  get("angle-pace").value = localStorage.getItem("eavefall-pace") || get("angle-pace").value;
  get("angle-pace").addEventListener("change", () => { localStorage.setItem("eavefall-pace", get("angle-pace").value); work(); });
  get("angle-taped").addEventListener("input", work);
  target.addEventListener("change", () => { chosen = true; state.paces = 0; get("angle-taped").value = ""; clear(); });
  for (const name of ["base", "top"]) {
    get(`type-${name}`).addEventListener("change", (event) => {
      const value = Number(event.target.value.replace(",", "."));
      if (event.target.value.trim() && Number.isFinite(value)) { state[name] = [value]; work(); }
    });
  }
  context.onFacts(fill);
  fill();
}
