// Big keys for lengths, and three ways to get one: paces, tape, height by angle.

const UNIT_M = { ft: 0.3048, in: 0.0254, m: 1, cm: 0.01, mm: 0.001, yd: 0.9144 };

// Metres from text such as "12 ft 6 in"; NaN if it is not a length. The server has the last word.
export function metres(text) {
  let total = 0;
  let rest = text.trim().toLowerCase().replace(/,/g, ".");
  if (!rest) return NaN;
  while (rest) {
    const part = /^(\d*\.?\d+)\s*(ft|in|mm|cm|m|yd)\s*/.exec(rest);
    if (!part) return NaN;
    total += Number(part[1]) * UNIT_M[part[2]];
    rest = rest.slice(part[0].length);
  }
  return total;
}

// Text in the system of `like`: feet and inches, or metres.
export function spell(length, like) {
  if (/m\b/.test(like) && !/ft|in/.test(like)) return `${length.toFixed(2)} m`;
  const inches = Math.round(length / 0.0254);
  const feet = Math.floor(inches / 12);
  return feet ? `${feet} ft${inches % 12 ? ` ${inches % 12} in` : ""}` : `${inches} in`;
}

// Height of a tree from its distance and the angles up to its top and down to its foot (plane trigonometry).
export function height(distance, topDegrees, footDegrees) {
  return distance * (Math.tan((topDegrees * Math.PI) / 180) + Math.tan((footDegrees * Math.PI) / 180));
}

export function armPad() {
  const pad = document.getElementById("pad");
  if (!pad) return;
  const value = document.getElementById("pad-value");
  const problem = document.getElementById("pad-problem");
  const get = (id) => document.getElementById(id);
  let target = null;
  let way = "type";
  let paces = 0;

  function show(text) { value.textContent = text; problem.hidden = true; }

  function choose(name) {
    way = name;
    for (const panel of pad.querySelectorAll("[data-panel]")) panel.hidden = panel.dataset.panel !== name;
    for (const button of pad.querySelectorAll("[data-way]")) button.setAttribute("aria-pressed", String(button.dataset.way === name));
    work();
  }

  function work() {
    const like = target?.placeholder || "ft";
    if (way === "pace") {
      get("pace-count").textContent = paces;
      show(spell(paces * metres(get("pace-length").value), like));
    } else if (way === "tape") {
      show(spell(metres(get("tape-to").value) - metres(get("tape-from").value), like));
    } else if (way === "angle") {
      show(spell(height(metres(get("angle-distance").value), Number(get("angle-top").value), Number(get("angle-foot").value)), like));
    }
    if (/NaN/.test(value.textContent)) show("");
  }

  document.addEventListener("click", (event) => {
    const opener = event.target.closest("[data-pad]");
    if (!opener) return;
    target = get(opener.dataset.pad);
    get("pad-title").textContent = document.querySelector(`label[for="${target.id}"]`).firstChild.textContent.trim();
    const kind = opener.closest("[data-measure]").dataset.measure;
    pad.querySelector('[data-way="angle"]').hidden = kind !== "height";
    paces = 0;
    get("pace-length").value = localStorage.getItem("eavefall-pace") || get("pace-length").value;
    choose("type");
    show(target.value);
    pad.showModal();
  });

  pad.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.way) choose(button.dataset.way);
    if (button.dataset.key) {
      const key = button.dataset.key;
      const text = value.textContent;
      if (key === "⌫") show(text.replace(/\s*(ft|in|cm|m|.)\s*$/, ""));
      else if (/[a-z]/.test(key)) show(`${text.trim()} ${key} `);
      else show(text + key);
    }
    if (button.id === "pace-plus") { paces += 1; work(); }
    if (button.id === "pace-minus") { paces = Math.max(0, paces - 1); work(); }
    if (button.id === "pad-take") take();
    if (button.dataset.sight) sight(get(button.dataset.sight), button);
  });
  pad.addEventListener("input", work);

  // How the length was taken goes with it; typing over it makes it typed.
  function tellHow(how, field = target) {
    const told = field.form?.elements[`how.${field.name}`];
    if (told) told.value = how;
    const sd = field.form?.elements[`sd.${field.name}`];
    if (sd) sd.value = "";
  }
  document.addEventListener("input", (event) => { if (event.isTrusted) tellHow("", event.target); });

  function take() {
    let text = value.textContent.trim();
    if (/^[\d.]+$/.test(text)) text += /m\b/.test(target.placeholder) && !/ft|in/.test(target.placeholder) ? " m" : /^\d+ in$/.test(target.placeholder) ? " in" : " ft";
    if (Number.isNaN(metres(text))) {
      problem.textContent = "That is not a length yet: digits, then ft, in, m or cm.";
      problem.hidden = false;
      return;
    }
    if (way === "pace") localStorage.setItem("eavefall-pace", get("pace-length").value);
    target.value = text;
    tellHow({ pace: "paced", tape: "taped", angle: "angle" }[way] || "");
    target.dispatchEvent(new Event("change", { bubbles: true }));
    pad.close();
    target.focus();
  }

  // The phone's own tilt: held upright it reads 0 degrees, tipped back to look up it grows.
  async function sight(field, button) {
    if (button.dataset.on) return;
    const ask = window.DeviceOrientationEvent?.requestPermission;
    if (ask && (await ask.call(DeviceOrientationEvent).catch(() => "denied")) !== "granted") return;
    const read = (event) => {
      if (event.beta === null) return;
      field.value = Math.abs(event.beta - 90).toFixed(0);
      work();
    };
    button.dataset.on = "1";
    button.textContent = "Hold…";
    addEventListener("deviceorientation", read);
    setTimeout(() => {
      removeEventListener("deviceorientation", read);
      delete button.dataset.on;
      button.textContent = "Sight";
    }, 4000);
  }
}
