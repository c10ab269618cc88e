// The plan is the form: eaves are drawn and trees dragged with a finger, or moved with the arrow keys and with
// buttons; distance, bearing and eave follow. Axes: x east, y south, metres from the middle of the house.

import { BEARING_SD_DEG, compassPoint, drawnEave, lengthText, placed, usualSd } from "./sight.js";

const SVG = "http://www.w3.org/2000/svg";
const TAP_PX = 24;
const SETTLE_MS = 700;
// What keys do to each thing, for those who hear the plan.
const KEYS = { trees: "Arrow keys move it, plus and minus change its crown.", eaves: "Left and right change its length, up and down turn it." };

export function armPlan(context) {
  const svg = document.getElementById("plan");
  const chosen = document.getElementById("plan-chosen");
  const tools = document.getElementById("plan-tools");
  let wide = 40;
  let mode = "";
  let pick = null; // { kind, name }
  let held = null; // what a finger or the keys are moving
  let timer = 0;

  const step = () => (context.units === "us" ? 0.3048 : 0.25);
  const length = (metres) => lengthText(metres, context.units);
  const make = (name, attributes, ...children) => {
    const element = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    element.append(...children);
    return element;
  };

  // --- drawing ------------------------------------------------------------------------------------------------

  const at = ([east, north]) => [east, -north];
  function words(kind, part) {
    if (kind === "eaves") return `${part.name}: ${part.known ? `${length(part.length)} long, faces ${compassPoint(part.facing)}` : "not drawn yet"}`;
    const where = placed(part.trunk, context.facts.eaves);
    return `${part.name}: ${length(where.distance)} from ${where.eave || "the house"}, ${compassPoint(where.bearing)}, crown ${length(part.crown)}`;
  }

  function draw() {
    const facts = context.facts;
    const far = Math.max(10, ...[...facts.corners, ...facts.eaves.flatMap((each) => [each.start, each.end]), ...facts.trees.map((each) => each.trunk)].flat().map(Math.abs));
    if (!held) wide = Math.max(wide, 2.3 * far);
    svg.setAttribute("viewBox", `${-wide / 2} ${-wide / 2} ${wide} ${wide}`);
    const px = wide / (svg.clientWidth || 360);
    const type = 15 * px;
    const grid = context.units === "us" ? 3.048 : 2.5;
    const lines = [];
    for (let line = -Math.floor(wide / 2 / grid) * grid; line <= wide / 2; line += grid) {
      lines.push(`M${line} ${-wide / 2}V${wide / 2}M${-wide / 2} ${line}H${wide / 2}`);
    }
    const focus = document.activeElement?.closest?.("#plan [data-kind]");
    const keep = focus && [focus.dataset.kind, focus.dataset.name];
    const label = (text, [x, y], anchor = "middle") => make("text", { x, y, "font-size": type, "text-anchor": anchor, class: "p-text" }, text);
    const parts = [
      make("path", { d: lines.join(""), class: "p-grid" }),
      make("polygon", { points: facts.corners.map((corner) => at(corner).join(",")).join(" "), class: "p-house" }),
      label("N ↑", [wide / 2 - 1.5 * type, -wide / 2 + 1.4 * type]),
      label(`${length(grid)} squares${facts.spread?.length ? "; thin lines: give or take" : ""}`, [-wide / 2 + 0.4 * type, wide / 2 - 0.6 * type], "start"),
    ];
    const group = (kind, part, ...children) => {
      const element = make("g", {
        class: `p-${kind}${pick?.kind === kind && pick.name === part.name ? " p-picked" : ""}`,
        tabindex: 0, role: "button", "aria-label": `${words(kind, part)}. ${KEYS[kind]}`,
        "data-kind": kind, "data-name": part.name,
      }, ...children);
      parts.push(element);
    };
    for (const eave of facts.eaves) {
      const [[x1, y1], [x2, y2]] = [at(eave.start), at(eave.end)];
      const [mx, my] = [(x1 + x2) / 2, (y1 + y2) / 2];
      const off = Math.hypot(mx, my) || 1;
      group("eaves", eave,
        make("line", { x1, y1, x2, y2, class: "p-hit", "stroke-width": 2 * TAP_PX * px }),
        make("line", { x1, y1, x2, y2, class: eave.known ? "p-line" : "p-line p-guess", "stroke-width": 5 * px }),
        label(eave.name, [mx - (mx / off) * 1.6 * type, my - (my / off) * 1.6 * type + type / 3]));
    }
    for (const tree of facts.trees) {
      const [cx, cy] = at(tree.trunk);
      group("trees", tree,
        make("circle", { cx, cy, r: tree.crown, class: tree.known ? "p-crown" : "p-crown p-guess", "stroke-width": 2 * px }),
        make("circle", { cx, cy, r: Math.max(TAP_PX * px, 0.3), class: "p-hit" }),
        make("circle", { cx, cy, r: Math.max(5 * px, 0.25), class: "p-trunk" }),
        label(tree.name, [cx, cy - 10 * px]));
    }
    // How sure places are, as the survey has them; what is being moved has no such lines yet.
    if (!held && !context.waits) for (const points of facts.spread || []) parts.push(make("polyline", { points: points.map((each) => at(each).join(",")).join(" "), class: "p-spread", "stroke-width": 1.5 * px }));
    svg.replaceChildren(...parts);
    if (keep) svg.querySelector(`[data-kind="${keep[0]}"][data-name="${CSS.escape(keep[1])}"]`)?.focus({ preventScroll: true });
    show();
  }

  const part = (one = pick) => one && context.facts[one.kind].find((each) => each.name === one.name);

  function show() {
    const found = part();
    chosen.hidden = !found;
    if (!found) return;
    document.getElementById("plan-name").textContent = words(pick.kind, found);
    for (const button of chosen.querySelectorAll("[data-for]")) button.hidden = button.dataset.for !== pick.kind;
  }

  function choose(kind, name) {
    pick = { kind, name };
    for (const each of svg.querySelectorAll("[data-kind]")) each.classList.toggle("p-picked", each.dataset.kind === kind && each.dataset.name === name);
    show();
  }

  // --- what a change says -------------------------------------------------------------------------------------

  const measure = (kind, name, field, value, sd) => ({ part: kind, name, field, value, sd, how: "drawn" });
  const metres = (kind, name, field, value) => measure(kind, name, field, `${value.toFixed(3)} m`, `${usualSd("drawn", value).toFixed(2)} m`);
  const degrees = (kind, name, field, value) => measure(kind, name, field, `${value.toFixed(1)} deg`, `${BEARING_SD_DEG.drawn} deg`);

  // Sends what was moved once it has come to rest.
  function settle() {
    clearTimeout(timer);
    if (!held) return;
    const { kind, name, crown, moved } = held;
    const found = part({ kind, name });
    held = null;
    if (!found) return;
    const measures = [];
    let said = {};
    if (kind === "trees") {
      const where = placed(found.trunk, context.facts.eaves);
      if (moved) {
        measures.push(metres(kind, name, "distance", where.distance), degrees(kind, name, "bearing", where.bearing));
        if (where.eave) measures.push({ part: kind, name, field: "eave", value: where.eave, how: "drawn" });
        said = { distance: length(where.distance), bearing: compassPoint(where.bearing) };
      }
      if (crown) {
        measures.push(metres(kind, name, "crown_radius", found.crown));
        said.crown_radius = length(found.crown);
      }
    } else {
      measures.push(metres(kind, name, "length", found.length), degrees(kind, name, "facing", found.facing));
      said = { length: length(found.length), facing: compassPoint(found.facing) };
    }
    const drawn = kind === "trees" ? { trunk: found.trunk, crown: found.crown } : { start: found.start, end: found.end, length: found.length, facing: found.facing, known: true };
    context.send({ measures }, `Plan: ${name}`, { part: kind, name, drawn, said });
    draw();
  }

  function hold(kind, name) {
    if (held && (held.kind !== kind || held.name !== name)) settle();
    held ||= { kind, name };
    clearTimeout(timer);
    timer = setTimeout(settle, SETTLE_MS);
    return part({ kind, name });
  }

  function told(kind, found) {
    context.say(words(kind, found));
    draw();
  }

  function moveTree(name, trunk) {
    const tree = hold("trees", name);
    tree.trunk = trunk;
    held.moved = true;
    told("trees", tree);
  }

  function widen(name, by) {
    const tree = hold("trees", name);
    tree.crown = Math.max(0.5, tree.crown + by);
    held.crown = true;
    told("trees", tree);
  }

  function lay(eave, start, end) {
    Object.assign(eave, { start, end, known: true }, drawnEave(start, end));
    told("eaves", eave);
  }

  function stretch(name, by) {
    const eave = hold("eaves", name);
    const whole = Math.hypot(eave.end[0] - eave.start[0], eave.end[1] - eave.start[1]) || 1;
    const grow = Math.max(1, whole + by) / whole;
    const middle = [0, 1].map((axis) => (eave.start[axis] + eave.end[axis]) / 2);
    const scaled = (point) => point.map((value, axis) => middle[axis] + (value - middle[axis]) * grow);
    lay(eave, scaled(eave.start), scaled(eave.end));
  }

  function turn(name, by) {
    const eave = hold("eaves", name);
    const angle = (by * Math.PI) / 180; // clockwise, as a bearing grows
    const turned = ([east, north]) => [east * Math.cos(angle) + north * Math.sin(angle), north * Math.cos(angle) - east * Math.sin(angle)];
    lay(eave, turned(eave.start), turned(eave.end));
  }

  // 6 m before the middle of the first eave.
  function beforeAnEave() {
    const [eave] = context.facts.eaves;
    const middle = [0, 1].map((axis) => (eave.start[axis] + eave.end[axis]) / 2);
    const angle = (eave.facing * Math.PI) / 180;
    return [middle[0] + 6 * Math.sin(angle), middle[1] + 6 * Math.cos(angle)];
  }

  const free = (kind, word) => {
    for (let count = 1; ; count += 1) if (!context.facts[kind].some((each) => each.name === `${word} ${count}`)) return `${word} ${count}`;
  };

  function addTree(trunk) {
    const name = free("trees", "Tree");
    context.facts.trees.push({ name, trunk, crown: 3.5, known: false, said: {}, how: {} });
    choose("trees", name);
    moveTree(name, trunk);
    svg.querySelector(`[data-kind="trees"][data-name="${CSS.escape(name)}"]`)?.focus({ preventScroll: true });
  }

  function addEave(start, end) {
    // One that was named and never drawn comes first.
    const bare = context.facts.eaves.find((each) => !each.known);
    const eave = bare || { name: free("eaves", "Eave"), said: {}, how: {} };
    if (!bare) context.facts.eaves.push(eave);
    choose("eaves", eave.name);
    hold("eaves", eave.name);
    lay(eave, start, end);
    svg.querySelector(`[data-kind="eaves"][data-name="${CSS.escape(eave.name)}"]`)?.focus({ preventScroll: true });
  }

  // --- fingers ------------------------------------------------------------------------------------------------

  function point(event) {
    const box = svg.getBoundingClientRect();
    return [((event.clientX - box.left) / box.width - 0.5) * wide, -((event.clientY - box.top) / box.height - 0.5) * wide];
  }

  let finger = null;
  svg.addEventListener("pointerdown", (event) => {
    const here = point(event);
    if (mode === "tree") {
      event.preventDefault();
      setMode("");
      addTree(here);
      return;
    }
    if (mode === "eave") {
      event.preventDefault();
      svg.setPointerCapture(event.pointerId);
      finger = { draw: here };
      return;
    }
    const hit = event.target.closest("[data-kind]");
    if (!hit) return;
    choose(hit.dataset.kind, hit.dataset.name);
    if (hit.dataset.kind !== "trees") return;
    event.preventDefault();
    hit.focus({ preventScroll: true });
    svg.setPointerCapture(event.pointerId);
    const tree = part();
    finger = { name: tree.name, grip: [tree.trunk[0] - here[0], tree.trunk[1] - here[1]] };
  });
  svg.addEventListener("pointermove", (event) => {
    if (!finger) return;
    const here = point(event);
    if (finger.draw) {
      const { length: long, facing } = drawnEave(finger.draw, here);
      context.say(`${length(long)}, faces ${compassPoint(facing)}`);
      let line = svg.querySelector(".p-new");
      if (!line) svg.append(line = make("line", { class: "p-line p-new", "stroke-width": wide / 80 }));
      const [[x1, y1], [x2, y2]] = [at(finger.draw), at(here)];
      for (const [key, value] of Object.entries({ x1, y1, x2, y2 })) line.setAttribute(key, value);
      return;
    }
    moveTree(finger.name, [here[0] + finger.grip[0], here[1] + finger.grip[1]]);
    clearTimeout(timer); // not before the finger is lifted
  });
  function lift(event) {
    if (!finger) return;
    const { draw: start } = finger;
    finger = null;
    if (!start) { settle(); return; }
    setMode("");
    const end = point(event);
    if (Math.hypot(end[0] - start[0], end[1] - start[1]) < 1) { context.say("Drag along the eave from one end to the other."); draw(); return; }
    addEave(start, end);
    settle();
  }
  svg.addEventListener("pointerup", lift);
  svg.addEventListener("pointercancel", () => { finger = null; settle(); draw(); });

  // --- keys and buttons ---------------------------------------------------------------------------------------

  const WAYS = { ArrowUp: [0, 1], ArrowDown: [0, -1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] };
  svg.addEventListener("keydown", (event) => {
    const hit = event.target.closest("[data-kind]");
    if (!hit) return;
    const { kind, name } = hit.dataset;
    choose(kind, name);
    const far = step() * (event.shiftKey ? 5 : 1);
    if (WAYS[event.key]) {
      const [east, north] = WAYS[event.key];
      if (kind === "trees") {
        const tree = part();
        moveTree(name, [tree.trunk[0] + east * far, tree.trunk[1] + north * far]);
      } else if (east) stretch(name, east * far); else turn(name, north * 5);
    } else if (kind === "trees" && (event.key === "+" || event.key === "=")) widen(name, far);
    else if (kind === "trees" && event.key === "-") widen(name, -far);
    else return;
    event.preventDefault();
  });
  svg.addEventListener("focusin", (event) => {
    const hit = event.target.closest("[data-kind]");
    if (hit) choose(hit.dataset.kind, hit.dataset.name);
  });

  function setMode(name) {
    mode = name;
    svg.classList.toggle("p-drawing", Boolean(mode));
    for (const button of tools.querySelectorAll("[data-mode]")) button.setAttribute("aria-pressed", String(button.dataset.mode === mode));
    if (mode === "tree") context.say("Tap where it stands, or press the button again to put one before the first eave.");
    if (mode === "eave") context.say("Drag along the eave from end to end, or press the button again to put one of 30 ft.");
  }

  tools.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.mode) {
      if (mode !== button.dataset.mode) { setMode(button.dataset.mode); return; }
      setMode("");
      const south = Math.min(-4, ...context.facts.corners.map(([, north]) => north));
      if (button.dataset.mode === "tree") addTree(beforeAnEave()); else addEave([-4.572, south], [4.572, south]);
    }
    if (button.dataset.zoom) { wide = Math.max(20, Math.min(200, wide * Number(button.dataset.zoom))); held ||= null; redraw(); }
  });
  function redraw() { const before = held; held = held || {}; draw(); held = before; }

  chosen.addEventListener("click", (event) => {
    const button = event.target.closest("[data-do]");
    if (!button || !pick) return;
    const [what, by] = button.dataset.do.split(" ");
    const far = step();
    const tree = part();
    if (what === "move") {
      const [east, north] = WAYS[by];
      moveTree(pick.name, [tree.trunk[0] + east * far, tree.trunk[1] + north * far]);
    } else if (what === "crown") widen(pick.name, Number(by) * far);
    else if (what === "length") stretch(pick.name, Number(by) * far);
    else if (what === "turn") turn(pick.name, Number(by));
  });

  context.busy = () => Boolean(held);
  context.onFacts(() => { if (!held) draw(); });
  addEventListener("resize", redraw);
  addEventListener("pagehide", settle);
  draw();
}
