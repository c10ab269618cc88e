// Measuring on a photo: two ends of something of known height, then what is wanted. The server works it out from
// the taps; without signal photo and taps wait together.

const MAGNIFIED = 4;
const STEP = 0.01;

// Hash of a file, so that taps find the photo they were made on; null where the browser has none.
async function digest(file) {
  if (!crypto.subtle) return null;
  const hash = await crypto.subtle.digest("SHA-256", await file.arrayBuffer());
  return [...new Uint8Array(hash)].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

export function armTaps(context) {
  const get = (id) => document.getElementById(id);
  const canvas = get("tap-photo");
  const glass = get("tap-glass");
  const handles = get("tap-handles");
  const target = get("tap-target");
  const known = get("tap-known");
  const purposes = JSON.parse(context.root.dataset.purposes);
  const ink = getComputedStyle(document.documentElement);
  let picture = null; // { image, sha256 }
  let points = [];
  let cross = [0.5, 0.5];
  let hidden = false; // the tree's foot
  const where = ([x, y]) => `${(x * 100).toFixed(1)} % across, ${(y * 100).toFixed(1)} % down`;

  // --- what is asked ------------------------------------------------------------------------------------------

  function rows() {
    const found = [];
    for (const eave of context.facts.eaves) {
      found.push(["eaves", eave.name, "eave height", "height", `${eave.name}: height above ground`]);
      found.push(["eaves", eave.name, "gutter run", "length", `${eave.name}: run of gutter`]);
    }
    for (const tree of context.facts.trees) {
      found.push(["trees", tree.name, "tree height", "height", `${tree.name}: height`]);
      found.push(["trees", tree.name, "overhang", "overhang", `${tree.name}: overhang past the eave`]);
    }
    return found;
  }

  function fill() {
    const before = target.value;
    target.replaceChildren(...rows().map(([kind, name, purpose, field, text]) => {
      const done = context.sure(context.facts[kind].find((each) => each.name === name), field);
      return new Option(done ? `${text} ✓` : text, JSON.stringify([kind, name, purpose, field]));
    }));
    if ([...target.options].some((each) => each.value === before)) target.value = before;
    const photos = get("tap-kept");
    const chosen = photos.value;
    photos.replaceChildren(new Option("Choose one of the survey's photos", ""), ...context.facts.photos.map((each) => new Option(each.name, each.sha256)));
    photos.value = chosen;
    photos.closest("label").hidden = !context.facts.photos.length;
    ask();
  }

  const what = () => JSON.parse(target.value || "[\"eaves\",\"\",\"eave height\",\"height\"]");
  const wanted = () => {
    const words = purposes[what()[2]];
    return hidden ? words.slice(0, 1) : words;
  };
  const far = () => hidden || what()[2] === "overhang"; // what must be paced beside the photo
  const asked = () => {
    const name = known.options[known.selectedIndex].dataset.word;
    return [`top of ${name}`, `bottom of ${name}`, ...wanted()];
  };

  function ask() {
    const words = asked();
    get("tap-length").hidden = known.value !== "";
    get("tap-how-wall").hidden = what()[2] === "overhang";
    get("tap-how-gable").hidden = what()[2] !== "overhang";
    get("tap-hide").hidden = what()[2] !== "tree height";
    get("tap-hide").setAttribute("aria-pressed", String(hidden));
    get("tap-behind").hidden = !far();
    get("tap-far-how").textContent = get("tap-far-how").dataset[hidden ? "tree" : "tip"];
    const step = get("tap-step");
    if (!picture) step.textContent = "Take or choose a photo first.";
    else if (points.length < words.length) step.textContent = `${points.length + 1} of ${words.length}: tap the ${words[points.length].replace(/^the /, "")}.`;
    else step.textContent = "All taps are set. Drag one to mend it, or measure.";
    get("tap-done").disabled = !picture || points.length < words.length;
    get("tap-undo").disabled = !points.length;
    get("tap-stage").hidden = !picture;
    draw();
    hold();
  }

  // One handle for each point: what a finger drags on the picture, keys move and a screen reader names.
  function hold() {
    const words = asked();
    while (handles.children.length > points.length) handles.lastChild.remove();
    while (handles.children.length < points.length) {
      const handle = document.createElement("button");
      handle.type = "button";
      handle.className = "p-handle";
      handles.append(handle);
    }
    points.forEach(([x, y], number) => {
      const handle = handles.children[number];
      handle.style.left = `${x * 100}%`;
      handle.style.top = `${y * 100}%`;
      handle.setAttribute("aria-label", `Point ${number + 1}, ${words[number] || "left over"}: ${where([x, y])}. Arrow keys move it, with Shift finely.`);
    });
  }

  // --- the picture --------------------------------------------------------------------------------------------

  function draw() {
    if (!picture) return;
    const { image } = picture;
    const wide = canvas.clientWidth || 360;
    const high = Math.round((wide * image.naturalHeight) / image.naturalWidth);
    const dense = Math.min(devicePixelRatio || 1, 3);
    canvas.width = wide * dense;
    canvas.height = high * dense;
    const pen = canvas.getContext("2d");
    pen.scale(dense, dense);
    pen.drawImage(image, 0, 0, wide, high);
    const mark = ([x, y], text, colour) => {
      const [left, top] = [x * wide, y * high];
      for (const [width, stroke] of [[5, "#000"], [2.5, colour]]) {
        pen.lineWidth = width;
        pen.strokeStyle = stroke;
        pen.beginPath();
        pen.moveTo(left - 12, top); pen.lineTo(left + 12, top);
        pen.moveTo(left, top - 12); pen.lineTo(left, top + 12);
        pen.stroke();
      }
      pen.font = "bold 16px system-ui";
      pen.lineWidth = 4;
      pen.strokeStyle = "#000";
      pen.strokeText(text, left + 10, top - 8);
      pen.fillStyle = colour;
      pen.fillText(text, left + 10, top - 8);
    };
    if (points.length > 1) {
      pen.lineWidth = 2;
      pen.strokeStyle = "#ffd54a";
      pen.beginPath();
      pen.moveTo(points[0][0] * wide, points[0][1] * high);
      pen.lineTo(points[1][0] * wide, points[1][1] * high);
      pen.stroke();
    }
    points.forEach((each, number) => mark(each, String(number + 1), number < 2 ? "#ffd54a" : "#7ee0ff"));
    if (document.activeElement === canvas && points.length < asked().length) mark(cross, "", "#ffffff");
  }

  // What lies under the finger, large, where the finger does not cover it.
  function magnify([x, y], side) {
    const { image } = picture;
    const size = glass.clientWidth || 160;
    const dense = Math.min(devicePixelRatio || 1, 3);
    glass.width = glass.height = size * dense;
    const pen = glass.getContext("2d");
    const seen = (image.naturalWidth / (canvas.clientWidth || 360)) * (size / MAGNIFIED);
    pen.fillStyle = ink.getPropertyValue("--soft") || "#ccc";
    pen.fillRect(0, 0, glass.width, glass.height);
    pen.imageSmoothingEnabled = false;
    pen.drawImage(image, x * image.naturalWidth - seen / 2, y * image.naturalHeight - seen / 2, seen, seen, 0, 0, glass.width, glass.height);
    pen.scale(dense, dense);
    for (const [width, stroke] of [[3, "#000"], [1, "#fff"]]) {
      pen.lineWidth = width;
      pen.strokeStyle = stroke;
      pen.beginPath();
      pen.moveTo(size / 2, 0); pen.lineTo(size / 2, size);
      pen.moveTo(0, size / 2); pen.lineTo(size, size / 2);
      pen.stroke();
    }
    glass.classList.toggle("right", side);
    glass.hidden = false;
  }

  async function show(source, sha256, release = false) {
    const image = new Image();
    image.src = source;
    try {
      await image.decode();
    } catch {
      context.say("This browser cannot show that photo. Once it has been sent, choose it from the survey's photos.");
      return;
    }
    if (release) URL.revokeObjectURL(source);
    picture = { image, sha256 };
    points = [];
    get("tap-stage").hidden = false;
    ask();
    get("tap-step").scrollIntoView({ block: "start" });
  }

  async function taken(input) {
    const [file] = input.files;
    input.value = "";
    if (!file) return;
    const [kind, name] = what();
    const sha256 = await digest(file);
    await context.queue.add({
      label: `Photo: ${name}`,
      survey: context.survey,
      method: "POST",
      url: `${context.site}/api/1/surveys/${context.survey}/photos?${new URLSearchParams({ shows: kind === "trees" ? "tree" : "house", of: name })}`,
      headers: { "Content-Type": "application/octet-stream" },
      body: file,
    });
    context.queue.flush();
    await show(URL.createObjectURL(file), sha256);
  }

  // --- taps ---------------------------------------------------------------------------------------------------

  function place(event) {
    const box = canvas.getBoundingClientRect();
    const inside = (value) => Math.min(1, Math.max(0, value));
    return [inside((event.clientX - box.left) / box.width), inside((event.clientY - box.top) / box.height)];
  }

  function near([x, y]) {
    const box = canvas.getBoundingClientRect();
    const far = points.map((each) => Math.hypot((each[0] - x) * box.width, (each[1] - y) * box.height));
    const least = Math.min(...far);
    return least < 24 ? far.indexOf(least) : -1;
  }

  fill();
  let moving = -1;
  canvas.addEventListener("pointerdown", (event) => {
    if (!picture) return;
    event.preventDefault();
    canvas.setPointerCapture(event.pointerId);
    const here = place(event);
    moving = near(here);
    if (moving < 0) {
      if (points.length >= asked().length) return;
      points.push(here);
      moving = points.length - 1;
    }
    magnify(points[moving], here[0] < 0.5);
    draw();
  });
  canvas.addEventListener("pointermove", (event) => {
    if (moving < 0) return;
    const here = place(event);
    points[moving] = here;
    magnify(here, here[0] < 0.5);
    draw();
  });
  function lift() {
    if (moving < 0) return;
    moving = -1;
    glass.hidden = true;
    ask();
  }
  canvas.addEventListener("pointerup", lift);
  canvas.addEventListener("pointercancel", lift);

  const WAYS = { ArrowUp: [0, -1], ArrowDown: [0, 1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] };
  const stepped = (point, event) => point.map((value, axis) => Math.min(1, Math.max(0, value + WAYS[event.key][axis] * (event.shiftKey ? STEP / 10 : STEP))));
  handles.addEventListener("keydown", (event) => {
    const number = [...handles.children].indexOf(event.target);
    if (number < 0 || !WAYS[event.key]) return;
    event.preventDefault();
    points[number] = stepped(points[number], event);
    magnify(points[number], points[number][0] < 0.5);
    context.say(`Point ${number + 1}: ${where(points[number])}`);
    draw();
    hold();
  });
  handles.addEventListener("focusout", () => { glass.hidden = true; });
  canvas.addEventListener("keydown", (event) => {
    if (!picture) return;
    if (WAYS[event.key]) {
      cross = stepped(cross, event);
      magnify(cross, cross[0] < 0.5);
      context.say(where(cross));
      draw();
    } else if (event.key === "Enter" || event.key === " ") {
      if (points.length < asked().length) points.push([...cross]);
      ask();
    } else if (event.key === "Backspace") {
      points.pop();
      ask();
    } else return;
    event.preventDefault();
  });
  canvas.addEventListener("focus", draw);
  canvas.addEventListener("blur", () => { glass.hidden = true; draw(); });

  async function done() {
    const [kind, name, purpose, field] = what();
    const height = known.value || get("tap-how-high").value.trim();
    if (!height) { context.say("Say how high the known thing is."); get("tap-how-high").focus(); return; }
    if (!known.value) localStorage.setItem(`eavefall-known-${known.selectedIndex}`, height);
    const [top, foot, ...rest] = points;
    const taps = { part: kind, name, purpose, points: rest, known: height, reference: [top, foot], sha256: picture.sha256, width: picture.image.naturalWidth, height: picture.image.naturalHeight };
    const behind = get("tap-far").value.trim();
    if (far() && !behind) { context.say(`Say it first: ${get("tap-far-how").textContent}`); get("tap-far").focus(); return; }
    if (far()) taps.behind = behind;
    points = points.slice(0, 2); // the known thing stays for the next measure on this photo
    ask();
    context.say("Working it out. Without signal it waits with the photo.");
    await context.send({ taps }, `Taps: ${name}, ${field}`, { part: kind, name, field });
    const rest2 = [...target.options].findIndex((each, row) => row > target.selectedIndex && !each.text.endsWith("✓"));
    if (rest2 >= 0) { target.selectedIndex = rest2; hidden = false; ask(); }
    if (document.activeElement === document.body) target.focus({ preventScroll: true }); // the button is off now
  }

  for (const input of [get("tap-camera"), get("tap-choose")]) {
    input.addEventListener("change", () => taken(input));
    if (input.files.length) taken(input); // chosen before this script had loaded
  }
  get("tap-kept").addEventListener("change", (event) => {
    const sha256 = event.target.value;
    if (sha256) show(`${context.site}/pictures/${context.survey}/${sha256}/display.jpg`, sha256);
  });
  get("tap-undo").addEventListener("click", () => { points.pop(); ask(); });
  get("tap-done").addEventListener("click", done);
  get("tap-hide").addEventListener("click", () => { hidden = !hidden; points = points.slice(0, 3); ask(); });
  target.addEventListener("change", () => { points = points.slice(0, 2); hidden = false; ask(); });
  known.addEventListener("change", () => {
    get("tap-how-high").value = localStorage.getItem(`eavefall-known-${known.selectedIndex}`) || "";
    points = [];
    ask();
  });
  addEventListener("resize", draw);
  context.onFacts(fill);
}
