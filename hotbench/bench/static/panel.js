// The page's side of the bench panel: form, plan, chart, stop, weighing, runs. Draws, holds no logic
// of tests: whatever is asked goes to the kernel, whatever is shown came from it.

const COLUMNS = 5; // time, temperature, setpoint, duty, fan
const EACH_MS = 200; // between two redraws at least; readings arrive a little more seldom
const SPOKEN_EVERY_MS = 20000;
const DOT_PX = 1.7;
const SILENT_MS = 6000; // without any word from the kernel, while it was asked for one
const DOUBTED_MS = 2000; // the same when its line was cut, as a restart does
const STALE_MS = 2000; // without a reading, while a test runs

function make(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) node.addEventListener(key.slice(2), value);
    else if (value === true) node.setAttribute(key, "");
    else if (value !== false && value != null) node.setAttribute(key, value);
  }
  node.append(...children.filter((child) => child != null));
  return node;
}

function clock(seconds) {
  if (seconds == null || !Number.isFinite(seconds)) return "–";
  const whole = Math.max(Math.round(seconds), 0);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

// ---- samples ------------------------------------------------------------------------------------

class Trace {
  constructor() { this.clear(); }

  clear() {
    this.count = 0;
    this.columns = Array.from({ length: COLUMNS }, () => new Float64Array(4096));
    this.predicted = new Float64Array(4096).fill(NaN);
    this.predictedCount = 0;
    this.bandK = null;
  }

  grow(size) {
    if (size <= this.predicted.length) return;
    const room = Math.max(size, 2 * this.predicted.length);
    const wider = (old) => { const next = new Float64Array(room); next.set(old); return next; };
    this.columns = this.columns.map(wider);
    this.predicted = wider(this.predicted);
  }

  put(first, count, view) {
    if (first === 0) this.clear();
    if (first !== this.count) return false; // a gap: the whole has to be asked for
    this.grow(first + count);
    const flat = floats(view);
    this.columns.forEach((column, k) => column.set(flat.subarray(k * count, (k + 1) * count), first));
    this.count = first + count;
    return true;
  }

  predict(first, view, bandK) {
    const flat = floats(view);
    this.grow(first + flat.length);
    this.predicted.set(flat, first);
    this.predictedCount = first + flat.length;
    this.bandK = bandK;
  }
}

function floats(view) {
  const bytes = view.buffer.slice(view.byteOffset, view.byteOffset + view.byteLength);
  return new Float64Array(bytes);
}

// ---- chart --------------------------------------------------------------------------------------

function niceStep(span, wanted) {
  const raw = Math.max(span, 1e-9) / wanted;
  const power = 10 ** Math.floor(Math.log10(raw));
  return power * [1, 2, 5, 10].find((m) => m * power >= raw);
}

function timeStep(span, wanted) {
  const steps = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600];
  return steps.find((s) => span / s <= wanted) ?? 7200;
}

// Lowest and highest value per pixel column, so that no peak is lost however long the trace.
function columnsOf(time, values, count, { begin, pxPerS }, width) {
  const low = new Float64Array(width + 1).fill(NaN);
  const high = new Float64Array(width + 1).fill(NaN);
  for (let i = 0; i < count; i += 1) {
    const value = values[i];
    if (value !== value) continue;
    const at = ((time[i] - begin) * pxPerS + 0.5) | 0;
    const x = at < 0 ? 0 : at > width ? width : at;
    if (!(value >= low[x])) low[x] = value;
    if (!(value <= high[x])) high[x] = value;
  }
  return { low, high };
}

class Chart {
  // beside: what else changes with the trace, so that one frame shows all of it.
  constructor(canvas, panel, trace, beside = () => {}) {
    this.canvas = canvas;
    this.panel = panel;
    this.trace = trace;
    this.beside = beside;
    this.waiting = null;
    this.lastDraw = 0;
    this.drawMs = 0;
  }

  later() {
    if (this.waiting != null) return;
    const frame = () => requestAnimationFrame(() => {
      this.waiting = null;
      this.beside();
      this.draw();
    });
    const wait = EACH_MS - (performance.now() - this.lastDraw);
    this.waiting = wait > 0 ? setTimeout(frame, wait) : frame(); // at once: the frame of the status
  }

  colours() {
    const style = getComputedStyle(this.panel);
    return new Proxy({}, { get: (_, name) => style.getPropertyValue(`--${String(name)}`).trim() });
  }

  draw() {
    const begun = performance.now();
    const { width, height } = this.canvas.getBoundingClientRect();
    if (width < 50) return;
    const ratio = window.devicePixelRatio || 1;
    if (this.canvas.width !== Math.round(width * ratio) || this.canvas.height !== Math.round(height * ratio)) {
      this.canvas.width = Math.round(width * ratio);
      this.canvas.height = Math.round(height * ratio);
    }
    const pen = this.canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    const c = this.colours();
    const left = 52; const right = 92;
    const inner = { x: left, width: width - left - right };
    const lower = Math.round(height * 0.22);
    const top = { ...inner, y: 14, height: height - lower - 68 };
    const bottom = { ...inner, y: height - lower - 30, height: lower };
    this.drawTemperature(pen, c, top);
    this.drawDrive(pen, c, bottom);
    if (!this.trace.count) this.say(pen, c, top, "No readings yet");
    this.lastDraw = performance.now();
    this.drawMs = this.lastDraw - begun;
    this.canvas.dataset.drawMs = this.drawMs.toFixed(2);
    this.canvas.dataset.samples = String(this.trace.count);
  }

  say(pen, c, box, text) {
    pen.textAlign = "center"; pen.textBaseline = "middle";
    pen.font = "14px system-ui, DejaVu Sans, sans-serif";
    const wide = pen.measureText(text).width + 16;
    pen.fillStyle = c.ground; // no grid line through the words
    pen.fillRect(box.x + (box.width - wide) / 2, box.y + box.height / 2 - 11, wide, 22);
    pen.fillStyle = c.soft;
    pen.fillText(text, box.x + box.width / 2, box.y + box.height / 2);
  }

  range() {
    const { count, columns: [time] } = this.trace;
    const end = count ? time[count - 1] : 60;
    return [count ? Math.min(time[0], 0) : 0, Math.max(end, 10)];
  }

  scales(box, low, high) {
    const [begin, end] = this.range();
    return {
      x: (t) => ((t - begin) / (end - begin)) * box.width,
      y: (v) => box.y + box.height - ((v - low) / (high - low)) * box.height,
      begin, end, pxPerS: box.width / (end - begin),
    };
  }

  frame(pen, c, box, scale, ticks, label, timed) {
    pen.font = "12px system-ui, DejaVu Sans, sans-serif";
    pen.lineWidth = 1;
    pen.strokeStyle = c.grid;
    pen.fillStyle = c.ink;
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    for (const tick of ticks) {
      const y = Math.round(scale.y(tick)) + 0.5;
      pen.beginPath(); pen.moveTo(box.x, y); pen.lineTo(box.x + box.width, y); pen.stroke();
      pen.fillText(String(Number(tick.toFixed(2))), box.x - 7, y);
    }
    const step = timeStep(scale.end - scale.begin, Math.max(box.width / 90, 3));
    pen.textAlign = "center";
    pen.textBaseline = "top";
    for (let t = Math.ceil(scale.begin / step) * step; t <= scale.end; t += step) {
      const x = Math.round(box.x + scale.x(t)) + 0.5;
      pen.beginPath(); pen.moveTo(x, box.y); pen.lineTo(x, box.y + box.height); pen.stroke();
      if (timed) pen.fillText(clock(t), x, box.y + box.height + 8);
    }
    if (timed) { pen.textAlign = "left"; pen.fillText("min:s", box.x + box.width + 22, box.y + box.height + 8); }
    pen.save();
    pen.translate(13, box.y + box.height / 2);
    pen.rotate(-Math.PI / 2);
    pen.textAlign = "center"; pen.textBaseline = "middle";
    pen.fillText(label, 0, 0);
    pen.restore();
  }

  drawTemperature(pen, c, box) {
    const { count, columns: [time, measured, setpoint], predicted, predictedCount, bandK } = this.trace;
    let low = 15; let high = 60;
    for (let i = 0; i < count; i += 1) {
      if (measured[i] < low) low = measured[i];
      if (measured[i] > high) high = measured[i];
      if (setpoint[i] > high) high = setpoint[i];
    }
    const step = niceStep((high - low) * 1.08, box.height / 42);
    low = Math.floor(low / step) * step;
    high = Math.ceil((high * 1.03) / step) * step;
    const ticks = [];
    for (let v = low; v <= high + 1e-6; v += step) ticks.push(v);
    const scale = this.scales(box, low, high);
    this.frame(pen, c, box, scale, ticks, "temperature / °C", false);
    pen.save();
    pen.beginPath(); pen.rect(box.x, box.y - 4, box.width + 1, box.height + 4); pen.clip();
    if (predictedCount) this.band(pen, c, box, scale, time, predicted, Math.min(predictedCount, count), bandK);
    this.stair(pen, box, scale, time, setpoint, count, c.setpoint, [5, 4]);
    this.points(pen, box, scale, time, measured, count, c.measured);
    if (predictedCount) this.curve(pen, box, scale, time, predicted, Math.min(predictedCount, count), c.predicted, 1.1);
    pen.restore();
    const names = [["measured", measured, count]];
    if (count && setpoint[count - 1] > 0) names.push(["setpoint", setpoint, count]);
    if (predictedCount) names.push(["predicted", predicted, Math.min(predictedCount, count)]);
    this.names(pen, c, box, scale, names);
  }

  drawDrive(pen, c, box) {
    const { count, columns: [time, , , duty, fan] } = this.trace;
    const scale = this.scales(box, 0, 1);
    this.frame(pen, c, box, scale, [0, 0.5, 1], "fraction", true);
    this.curve(pen, box, scale, time, duty, count, c.duty);
    this.stair(pen, box, scale, time, fan, count, c.fan, []);
    this.names(pen, c, box, scale, [["duty", duty, count], ["fan", fan, count]]);
  }

  band(pen, c, box, scale, time, predicted, count, bandK) {
    if (!bandK) return;
    const width = Math.floor(box.width);
    const { low, high } = columnsOf(time, predicted, count, scale, width);
    pen.globalAlpha = 0.2;
    pen.fillStyle = c.predicted;
    pen.beginPath();
    for (let x = 0; x <= width; x += 1) if (high[x] === high[x]) pen.lineTo(box.x + x, scale.y(high[x] + bandK));
    for (let x = width; x >= 0; x -= 1) if (low[x] === low[x]) pen.lineTo(box.x + x, scale.y(low[x] - bandK));
    pen.fill();
    pen.globalAlpha = 1;
  }

  curve(pen, box, scale, time, values, count, colour, line = 1.6) {
    const width = Math.floor(box.width);
    const { low, high } = columnsOf(time, values, count, scale, width);
    pen.strokeStyle = colour; pen.lineWidth = line; pen.setLineDash([]);
    pen.beginPath();
    let begun = false;
    for (let x = 0; x <= width; x += 1) {
      if (low[x] !== low[x]) continue;
      if (begun) pen.lineTo(box.x + x, scale.y(low[x])); else pen.moveTo(box.x + x, scale.y(low[x]));
      if (high[x] !== low[x]) pen.lineTo(box.x + x, scale.y(high[x]));
      begun = true;
    }
    pen.stroke();
  }

  stair(pen, box, scale, time, values, count, colour, dash) {
    pen.strokeStyle = colour; pen.lineWidth = 1.4; pen.setLineDash(dash);
    pen.beginPath();
    let last = NaN;
    for (let i = 0; i < count; i += 1) {
      const value = values[i];
      if (value !== value || (value === last && i < count - 1)) continue;
      const x = box.x + scale.x(time[i]);
      if (last === last) { pen.lineTo(x, scale.y(last)); pen.lineTo(x, scale.y(value)); }
      else pen.moveTo(x, scale.y(value));
      last = value;
    }
    pen.stroke();
    pen.setLineDash([]);
  }

  points(pen, box, scale, time, values, count, colour) {
    const width = Math.floor(box.width);
    pen.fillStyle = colour;
    if (count < 2 * width) {
      for (let i = 0; i < count; i += 1) {
        pen.fillRect(box.x + scale.x(time[i]) - DOT_PX, scale.y(values[i]) - DOT_PX, 2 * DOT_PX, 2 * DOT_PX);
      }
      return;
    }
    const { low, high } = columnsOf(time, values, count, scale, width);
    for (let x = 0; x <= width; x += 1) {
      if (low[x] !== low[x]) continue;
      const y = scale.y(high[x]);
      pen.fillRect(box.x + x - 0.5, y - DOT_PX, 1.6, scale.y(low[x]) - y + 2 * DOT_PX);
    }
  }

  names(pen, c, box, scale, entries) {
    const placed = entries
      .filter(([, values, count]) => count && values[count - 1] === values[count - 1])
      .map(([name, values, count]) => ({ name, colour: c[`${name}-ink`], y: scale.y(values[count - 1]) }))
      .sort((a, b) => a.y - b.y);
    placed.forEach((entry, k) => { if (k) entry.y = Math.max(entry.y, placed[k - 1].y + 15); });
    const over = placed.length ? placed[placed.length - 1].y - (box.y + box.height) : 0;
    pen.textAlign = "left"; pen.textBaseline = "middle";
    pen.font = "600 12px system-ui, DejaVu Sans, sans-serif";
    for (const { name, colour, y } of placed) {
      pen.fillStyle = colour;
      pen.fillText(name, box.x + box.width + 8, y - Math.max(over, 0));
    }
  }
}

// ---- form ---------------------------------------------------------------------------------------

const WEIGHINGS = [
  ["by hand", "I weigh, and type each mass"],
  ["later", "fill the masses in later"],
  ["by itself", "simulated pan"],
];
const PACES = [["1", "as in reality"], ["10", "10 × faster"], ["60", "60 × faster"], ["0", "as fast as it computes"]];
let serial = 0;

function row(label, control, unit = "") {
  return make("label", {}, make("span", {}, label), control, make("span", { class: "hb-hint" }, unit));
}

function choice(entries, chosen, attributes = {}) {
  return make("select", attributes, ...entries.map(([value, text]) => make("option", { value, selected: value === chosen }, text)));
}

class Form {
  constructor(model, changed) {
    this.model = model;
    const list = `hb-ports-${(serial += 1)}`;
    const tests = model.get("catalogue");
    this.port = make("input", { list, value: model.get("port"), "aria-label": "port", spellcheck: "false", oninput: () => this.adapt(changed) });
    this.test = choice(tests.map((t) => [t.name, t.title]), tests[0].name, { "aria-label": "test", onchange: () => { this.fill(); this.adapt(changed); } });
    this.pace = choice(PACES, "1", { onchange: changed });
    this.weighing = choice(WEIGHINGS, "by itself", { onchange: changed });
    const files = model.get("files");
    const known = `hb-files-${serial}`;
    this.machine = make("input", { list: known, value: files.machine, placeholder: "none", spellcheck: "false", oninput: changed });
    this.profile = make("input", { list: known, value: files.profile, placeholder: "none", spellcheck: "false", oninput: changed });
    this.limit = make("input", { placeholder: "260 by default", inputmode: "decimal", oninput: changed });
    this.fault = make("input", { placeholder: "not known", inputmode: "decimal", oninput: changed });
    this.material = make("input", { value: "PLA", oninput: changed });
    this.fields = make("div");
    this.summary = make("p", { class: "hb-hint hb-under" });
    this.paceRow = row("pace of the simulation", this.pace);
    this.weighRow = row("masses", this.weighing);
    this.changed = changed;
    this.node = make("form", { onsubmit: (event) => event.preventDefault() },
      make("datalist", { id: list }, ...model.get("ports").map((p) => make("option", { value: p.port }, p.what))),
      make("datalist", { id: known }, ...files.known.map((file) => make("option", { value: file }))),
      row("port", this.port), row("test", this.test), this.summary, this.fields,
      make("details", {}, make("summary", {}, "Machine and material"),
        row("machine file", this.machine, "YAML"),
        row("profile to expect", this.profile, "YAML"),
        row("highest setpoint allowed", this.limit, "°C"),
        row("deviation at which it faults", this.fault, "K"),
        row("material", this.material)));
    this.fill();
    this.adapt(() => {});
  }

  get simulated() { return this.port.value.trim().startsWith("sim:"); }

  adapt(then) {
    this.paceRow.hidden = !this.simulated;
    this.weighRow.hidden = this.test.value !== "extrude";
    this.weighing.options[2].disabled = !this.simulated;
    if (!this.simulated && this.weighing.value === "by itself") this.weighing.value = "by hand";
    then();
  }

  fill() {
    const test = this.model.get("catalogue").find((t) => t.name === this.test.value);
    this.inputs = new Map(test.fields.map((field) => [field.name, this.input(field)]));
    const rows = (first) => test.fields.filter((f) => f.first === first).map((f) => row(f.label, this.inputs.get(f.name), f.unit));
    this.summary.textContent = test.summary;
    const rest = rows(false);
    const more = rest.length ? make("details", {}, make("summary", {}, "More settings of this test"), ...rest) : null;
    this.fields.replaceChildren(...[...rows(true), this.paceRow, this.weighRow, more].filter(Boolean));
  }

  input(field) {
    if (field.kind === "flag") return make("input", { type: "checkbox", checked: field.start === true, onchange: () => this.changed() });
    return make("input", { value: field.start, placeholder: field.hint, title: field.hint, oninput: () => this.changed() });
  }

  values() {
    const settings = {};
    for (const [name, input] of this.inputs) settings[name] = input.type === "checkbox" ? input.checked : input.value;
    return {
      port: this.port.value, test: this.test.value, settings, speed: this.pace.value,
      machine: this.machine.value, profile: this.profile.value,
      limit_C: this.limit.value, fault_K: this.fault.value, material: this.material.value,
      weighing: this.test.value === "extrude" ? this.weighing.value : "by itself",
    };
  }

}

// ---- values measured later ----------------------------------------------------------------------

class Entries {
  constructor(model) {
    this.model = model;
    this.node = make("section", { class: "hb-weigh", hidden: true, "aria-label": "values measured later" });
    this.next = null; // the extrusion that takes the focus when the kernel has answered
  }

  send(act, extrusion = 0, text = "") { this.model.send({ kind: "enter", act, extrusion, text }); }

  open(run, evidence) { this.model.send({ kind: "entries", run, evidence }); }

  show() {
    const { run, evidence, unit, measures, rows, pending, changes, doubt } = this.model.get("entries");
    this.node.hidden = !run;
    if (!run) return;
    const kind = choice(measures, evidence, { onchange: () => this.open(run, kind.value) });
    const made = rows.map((shot) => this.cells(shot, evidence, unit, doubt));
    const left = pending ? `${pending} of ${rows.length} still to be entered` : "all entered";
    this.node.replaceChildren(
      make("h4", {}, `Measured later: ${run}`),
      row("what was measured", kind),
      make("p", { class: "hb-hint" }, `${left}. Enter keeps a value; an empty field waits.`),
      make("p", { class: "hb-notice", id: "hb-doubt", role: "alert" }, doubt.remark ? `Extrusion ${doubt.extrusion}: ${doubt.remark}.` : ""),
      make("div", { class: "hb-scroll" }, table(["extrusion", "°C", "mm³/s", "mm fed", `${evidence} / ${unit}`, ""], made, [0, 1, 2, 3])),
      make("div", { class: "hb-do" },
        make("button", { type: "button", disabled: !changes, onclick: () => this.send("undo") }, "Undo the last change"),
        make("button", { type: "button", onclick: () => this.open("") }, "Close")));
    this.focus(doubt.extrusion || this.next);
    this.next = null;
  }

  focus(extrusion) {
    const node = extrusion && this.node.querySelector(`input[data-extrusion="${extrusion}"]`);
    if (node) { node.focus(); node.select(); }
  }

  cells(shot, evidence, unit, doubt) {
    const n = shot.extrusion;
    const fixed = [String(n), String(shot.setpoint_C), shot.flow_mm3_per_s.toFixed(2), String(shot.fed_mm)];
    if (shot.left_out) {
      return [...fixed, `left out: ${shot.left_out}`, make("button", { type: "button", class: "hb-link", "aria-label": `give extrusion ${n} back`, onclick: () => this.send("give back", n) }, "Give back")];
    }
    const doubted = doubt.extrusion === n;
    const kept = shot.value == null ? "" : String(shot.value);
    const value = make("input", {
      inputmode: "decimal", "data-extrusion": n, value: doubted ? doubt.text : kept,
      "aria-label": `${evidence} in ${unit} of extrusion ${n}, ${shot.setpoint_C} °C, ${shot.flow_mm3_per_s.toFixed(2)} mm³/s`,
      "aria-invalid": doubted ? "true" : null, "aria-describedby": doubted ? "hb-doubt" : null,
      onkeydown: (event) => this.keyed(event, value, n, kept),
      onchange: () => this.keep(value, n, kept),
    });
    return [...fixed, value, kept === "" ? "" : this.leaveOut(n)];
  }

  // Enter goes on to the next field that waits; Tab and a click elsewhere keep the value too.
  keyed(event, value, n, kept) {
    if (event.key !== "Enter") return;
    event.preventDefault();
    event.stopPropagation();
    const later = this.model.get("entries").rows.filter((shot) => shot.extrusion > n && shot.value == null && !shot.left_out);
    this.next = later.length ? later[0].extrusion : n;
    if (value.value.trim() === kept) this.focus(this.next);
    else this.keep(value, n, kept, true);
  }

  keep(value, n, kept, again = false) {
    const text = value.value.trim();
    if (!text || text === kept || (!again && value.dataset.sent === text)) return;
    value.dataset.sent = text;
    this.send("enter", n, text);
  }

  leaveOut(n) {
    const why = make("input", { "aria-label": `why extrusion ${n} is left out`, placeholder: "why", hidden: true });
    const act = () => {
      if (why.hidden) { why.hidden = false; why.focus(); return; }
      if (why.value.trim()) this.send("leave out", n, why.value);
      else why.focus();
    };
    why.addEventListener("keydown", (event) => {
      if (event.key === "Enter") { event.preventDefault(); event.stopPropagation(); act(); }
      if (event.key === "Escape") { event.stopPropagation(); why.hidden = true; }
    });
    return make("span", { class: "hb-out" }, why, make("button", { type: "button", class: "hb-link", "aria-label": `leave extrusion ${n} out`, onclick: act }, "Leave out"));
  }
}

// ---- panel --------------------------------------------------------------------------------------

const STATES = { idle: "Ready", checking: "Checking", running: "Running", stopping: "Stopping", done: "Done", stopped: "Stopped", "fell short": "Ended early" };
const SILENT = "The kernel does not answer. If it is busy, wait; if it has ended, run this cell again. If a heater may be on, switch the machine off at its own switch.";
const FORCED = "(forced-colors: active)"; // then the person's own colours count, not the lab's
const DARK = "(prefers-color-scheme: dark)";
const CAUTION = "A real port heats the machine: ventilate, hands and cables away, stay with it.";

class Panel {
  constructor(model, host) {
    this.model = Object.create(model);
    this.model.send = (content) => { model.send(content); this.expectWord(); };
    this.trace = new Trace();
    this.viewing = "";
    this.spokenAt = 0;
    this.spokenPhase = "";
    this.cleanups = [];
    this.build();
    host.append(this.root);
    this.listen();
    this.theme();
    this.showPlan(); this.showStatus(); this.showRuns(); this.showNotice(); this.entries.show();
    this.askPlan();
    this.model.send({ kind: "history" });
  }

  expectWord(within = SILENT_MS) {
    clearTimeout(this.silence);
    this.silence = setTimeout(() => this.hush(true), within);
  }

  hush(silent) { this.silent = silent; this.showNotice(); this.showStatus(); }

  doubt() {
    try { this.model.send({ kind: "history" }); this.expectWord(DOUBTED_MS); } catch { this.hush(true); }
  }

  heard() {
    clearTimeout(this.silence);
    if (this.silent) this.hush(false);
    if (this.model.get("status").state === "running") this.expectWord(); // samples come all the time
  }

  build() {
    const read = (name, wide) => { const value = make("b", {}, "–"); const label = make("span", {}, name); this.reads[name] = value; this.labels[name] = label; return make("div", { class: wide ? "hb-read hb-wide" : "hb-read" }, value, label); };
    this.reads = {}; this.labels = {};
    this.state = make("div", { class: "hb-state" }, "Ready");
    this.stop = make("button", { type: "button", class: "hb-stop", title: "Escape does the same", onclick: () => this.halt() }, "Stop");
    const bar = make("div", { class: "hb-bar", role: "group", "aria-label": "state and stop" }, this.state,
      make("div", { class: "hb-reads" }, read("measured"), read("setpoint"), read("off prediction"), read("duty"), read("fan"), read("phase", true), read("elapsed"), read("about left")),
      this.stop);
    this.form = new Form(this.model, () => this.askPlan());
    this.plan = make("div", { class: "hb-plan" });
    this.agree = make("input", { type: "checkbox", onchange: () => this.enable() });
    this.agreeRow = make("label", { class: "hb-tick" }, this.agree, make("span", {}, "I have read the plan and stay with the machine."));
    this.start = make("button", { type: "button", class: "hb-start", onclick: () => this.begin("start") }, "Start");
    this.check = make("button", { type: "button", onclick: () => this.begin("check") }, "Check connection");
    this.lines = make("div");
    this.plan.append(make("h4", {}, "Plan"), this.lines, make("div", { class: "hb-hot" }, CAUTION), this.agreeRow, make("div", { class: "hb-do" }, this.start, this.check));
    this.setUp = make("details", { open: true }, make("summary", {}, "Choose a test"), make("div", { class: "hb-set" }, this.form.node, this.plan));
    this.said = make("p"); this.advice = make("p", { class: "hb-advice" }); this.notice = make("p", { class: "hb-notice", role: "alert" });
    this.findings = make("div");
    this.canvas = make("canvas", { role: "img", "aria-label": "No readings yet." });
    this.live = make("div", { class: "hb-aside", role: "status", "aria-live": "polite" });
    this.weigh = make("div", { class: "hb-weigh", hidden: true });
    this.entries = new Entries(this.model);
    this.list = make("div", { class: "hb-scroll" });
    this.root = make("section", { class: "hb-panel", "aria-label": "hot end test bench", "data-lm-suppress-shortcuts": "true" }, bar, this.setUp,
      make("div", { class: "hb-say" }, this.said, this.advice, this.notice), this.findings, this.weigh, this.entries.node,
      make("div", { class: "hb-chart" }, this.canvas), this.live, make("h4", {}, "Runs"), this.list);
    this.reads["off prediction"].parentNode.hidden = true; // until there is a prediction
    this.chart = new Chart(this.canvas, this.root, this.trace, () => this.showReadings());
    this.float = make("div", { class: "hb-float", hidden: true }, make("button", { type: "button", onclick: () => this.halt() }, "Stop the test"));
    document.body.append(this.float);
  }

  listen() {
    const on = (name, act) => {
      const told = (...what) => { this.heard(); act(...what); };
      this.model.on(name, told);
      this.cleanups.push(() => this.model.off(name, told));
    };
    on("change:status", () => this.showStatus());
    on("change:plan", () => this.showPlan());
    on("change:runs", () => this.showRuns());
    on("change:notice", () => this.showNotice());
    on("change:entries", () => { this.entries.show(); this.showWeighing(this.model.get("status")); });
    on("msg:custom", (message, buffers) => this.hear(message, buffers));
    const cut = () => this.doubt();
    this.model.on("comm_live_update", cut);
    this.cleanups.push(() => this.model.off("comm_live_update", cut));
    for (const query of [FORCED, DARK]) {
      const media = matchMedia(query); const changed = () => this.theme();
      media.addEventListener("change", changed);
      this.cleanups.push(() => media.removeEventListener("change", changed));
    }
    const ageing = setInterval(() => this.showAge(), 1000);
    this.cleanups.push(() => clearInterval(ageing));
    this.root.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && this.active) { event.preventDefault(); event.stopPropagation(); this.halt(); }
    });
    const size = new ResizeObserver(() => this.chart.later());
    size.observe(this.canvas);
    const seen = new IntersectionObserver(([entry]) => { this.inView = entry.isIntersecting; this.showFloat(); });
    seen.observe(this.stop);
    const themed = new MutationObserver(() => this.theme());
    themed.observe(document.body, { attributes: true, attributeFilter: ["data-jp-theme-light", "class"] });
    this.cleanups.push(() => { size.disconnect(); seen.disconnect(); themed.disconnect(); this.float.remove(); clearTimeout(this.planning); clearTimeout(this.silence); });
  }

  get active() { return Boolean(this.model.get("status").active); }

  theme() {
    const light = matchMedia(FORCED).matches ? "" : document.body.dataset.jpThemeLight;
    const dark = light ? light === "false" : matchMedia(DARK).matches;
    this.root.dataset.theme = dark ? "dark" : "light";
    this.chart.later();
  }

  askPlan() {
    clearTimeout(this.planning);
    this.planning = setTimeout(() => this.model.send({ kind: "plan", ...this.form.values() }), 250);
  }

  begin(kind) {
    this.viewing = "";
    this.model.send({ kind, ...this.form.values() });
    this.agree.checked = false;
    this.stop.disabled = false;
    this.stop.focus();
  }

  halt() {
    this.model.send({ kind: "stop" });
    this.live.textContent = "Stop requested.";
  }

  hear(message, buffers) {
    if (message.kind === "samples") {
      if (message.count) this.readAt = performance.now();
      if (message.first === 0 && message.count) this.viewing = "";
      if (this.viewing) return;
      if (!this.trace.put(message.first, message.count, buffers[0])) this.model.send({ kind: "history" });
    } else if (message.kind === "history") {
      this.viewing = message.run;
      this.trace.put(0, message.count, buffers[0]);
      this.said.textContent = `Showing the earlier run ${message.run}.`;
      this.advice.textContent = "";
      this.showStatus();
    } else if (message.kind === "prediction" && !this.viewing) {
      this.trace.predict(message.first, buffers[0], message.band_K);
    }
    this.chart.later();
  }

  showReadings() {
    const { count, columns: [, measured, setpoint, duty, fan] } = this.trace;
    if (!count) {
      for (const name of ["measured", "setpoint", "duty", "fan"]) this.reads[name].textContent = "–";
      return;
    }
    const k = count - 1;
    const text = (value, digits, unit) => (value === value ? `${value.toFixed(digits)}${unit}` : "–");
    this.reads.measured.textContent = text(measured[k], 1, " °C");
    this.reads.setpoint.textContent = setpoint[k] > 0 ? text(setpoint[k], 0, " °C") : "off";
    this.reads.duty.textContent = text(100 * duty[k], 0, " %");
    this.reads.fan.textContent = text(100 * fan[k], 0, " %");
    const last = this.trace.predictedCount - 1; // the prediction trails the readings a little
    const off = last >= 0 ? measured[last] - this.trace.predicted[last] : NaN;
    this.reads["off prediction"].parentNode.hidden = off !== off;
    this.reads["off prediction"].textContent = off === off ? `${off >= 0 ? "+" : "−"}${Math.abs(off).toFixed(1)} K` : "–";
    if (this.viewing) { this.reads.phase.textContent = "–"; this.reads.elapsed.textContent = clock(this.trace.columns[0][k]); }
    const now = performance.now();
    if (now - this.spokenAt > SPOKEN_EVERY_MS || !this.active) {
      this.spokenAt = now;
      const minutes = clock(this.trace.columns[0][k]);
      this.canvas.setAttribute("aria-label", `Temperature, setpoint, duty and fan over ${minutes} minutes. Now ${this.reads.measured.textContent}, setpoint ${this.reads.setpoint.textContent}, duty ${this.reads.duty.textContent}, fan ${this.reads.fan.textContent}.`);
    }
  }

  showStatus() {
    const status = this.model.get("status");
    this.root.dataset.state = this.viewing ? "idle" : status.state;
    const state = this.viewing ? "Earlier run" : STATES[status.state] ?? status.state;
    this.state.textContent = this.silent ? "No answer" : state;
    this.root.toggleAttribute("data-active", status.active);
    this.showAge();
    if (!this.viewing) {
      this.reads.phase.textContent = (status.active && status.phase) || "–";
      this.reads.elapsed.textContent = status.elapsed_s ? clock(status.elapsed_s) : "–";
    }
    this.reads["about left"].textContent = !status.active ? "–" : status.remaining_s === 0 ? "soon" : clock(status.remaining_s);
    if (!this.viewing) { this.said.textContent = status.message; this.advice.textContent = status.advice; }
    if (this.wasActive !== status.active) {
      if (status.active) this.setUp.open = false; // the chart stays where it is when the test ends,
      else if (!status.test) this.setUp.open = true; // and after a check a test is chosen next
      this.wasActive = status.active;
    }
    this.speak(status);
    this.showWeighing(status);
    this.showFindings(status);
    this.enable();
    this.showFloat();
  }

  // How old the reading shown is, where that is not a matter of course.
  showAge() {
    const late = this.trace.count ? performance.now() - this.readAt : 0;
    const age = late > STALE_MS ? `read ${Math.round(late / 1000)} s ago` : "measured";
    const label = this.active ? age : "last measured";
    if (this.labels.measured.textContent !== label) this.labels.measured.textContent = label;
  }

  speak(status) {
    const line = status.active ? `${this.state.textContent}. ${status.phase}` : `${this.state.textContent}. ${status.message} ${status.advice}`;
    if (line !== this.spokenPhase) { this.spokenPhase = line; this.live.textContent = line; }
  }

  showFloat() { this.float.hidden = !(this.active && this.inView === false); }

  enable() {
    const plan = this.model.get("plan");
    const real = !this.form.simulated;
    const free = !this.active;
    this.agreeRow.hidden = !real;
    this.start.disabled = !free || Boolean(plan.error) || !plan.lines || (real && !this.agree.checked);
    this.check.disabled = !free || (real && !this.agree.checked);
    this.stop.disabled = free;
    for (const show of this.list.querySelectorAll(".hb-show")) show.disabled = !free; // the chart is the test's
  }

  showPlan() {
    const plan = this.model.get("plan");
    if (plan.error) this.lines.replaceChildren(make("p", { class: "hb-notice" }, plan.error));
    else if (plan.lines) {
      const fact = (value, name) => make("div", { class: "hb-read" }, make("b", {}, value), make("span", {}, name));
      this.lines.replaceChildren(make("ol", {}, ...plan.steps.map((line) => make("li", {}, line))),
        make("div", { class: "hb-sum" }, fact(`${plan.max_temperature_C} °C`, "at most"), fact(plan.minutes, "time"),
          fact(plan.filament_mm ? `${(plan.filament_mm / 1000).toFixed(2)} m` : "none", "filament")),
        plan.remark ? make("p", { class: "hb-hint" }, `${plan.remark[0].toUpperCase()}${plan.remark.slice(1)}.`) : "",
        make("p", { class: "hb-hint" }, "The heater is off at the end, whatever ends the test."));
    }
    this.enable();
  }

  showNotice() { this.notice.textContent = this.silent ? SILENT : this.model.get("notice"); }

  showFindings(status) {
    const rows = status.findings ?? [];
    this.findings.replaceChildren(...(rows.length ? [make("div", { class: "hb-found" }, table(["connection check", "found"], rows))] : []));
  }

  showWeighing(status) {
    const asked = status.question; const done = status.extrusions ?? [];
    const later = this.model.get("entries").run; // the form for later shows the same rows, and more
    this.weigh.hidden = !asked && (!done.length || (!status.active && later === status.run));
    if (asked !== this.asked) {
      this.asked = asked;
      if (asked) {
        const answer = (text) => { this.typed = text; this.model.send({ kind: "weigh", text }); };
        const keyed = (event) => { if (event.key === "Enter") { event.preventDefault(); event.stopPropagation(); answer(mass.value); } };
        const again = asked.includes(";"); // a reason, then the question: what was typed stays to be mended
        const words = asked.replace(/ \(Enter: later\)$/, "");
        const mass = make("input", { inputmode: "decimal", "aria-label": words, "aria-invalid": again ? "true" : null, placeholder: "g", onkeydown: keyed });
        if (again) mass.value = this.typed ?? "";
        this.question = make("div", { class: "hb-ask" }, make("span", { class: again ? "hb-notice" : null }, `${words[0].toUpperCase()}${words.slice(1)}`), mass,
          make("button", { type: "button", class: "hb-start", onclick: () => answer(mass.value) }, "Enter"), make("button", { type: "button", onclick: () => answer("") }, "Later"));
        setTimeout(() => { mass.focus(); mass.select(); }, 0);
      } else this.question = null;
      this.weighed = null;
    }
    const key = `${asked}|${done.length}`;
    if (key === this.weighed) return;
    this.weighed = key;
    const rows = done.map((e, k) => [String(k + 1), String(e.setpoint_C), e.commanded_mm3_per_s.toFixed(2), String(e.commanded_mm), e.delivered_mass_g == null ? "later" : e.delivered_mass_g.toFixed(3)]).reverse();
    const parts = [make("h4", {}, asked ? `Weighing, extrusion ${done.length + 1}` : "Weighing"), this.question, rows.length ? make("div", { class: "hb-scroll" }, table(["extrusion", "°C", "mm³/s", "mm fed", "mass / g"], rows, [0, 1, 2, 3, 4])) : null];
    this.weigh.replaceChildren(...parts.filter(Boolean));
  }

  showRuns() {
    const runs = this.model.get("runs");
    if (!runs.length) { this.list.replaceChildren(make("p", { class: "hb-hint" }, "No runs in this folder yet.")); return; }
    const rows = runs.map((r) => [whole(r.run), r.test, moment(r.created), r.outcome === "recording" ? "…" : String(r.samples), r.problem || r.outcome, this.acts(r)]);
    this.list.replaceChildren(table(["run", "test", "recorded", "readings", "outcome", ""], rows, [3]));
  }

  acts(run) {
    const node = make("span", { class: "hb-acts" });
    if (!run.problem) node.append(make("button", { type: "button", class: "hb-link hb-show", disabled: this.active, "aria-label": `show run ${run.run}`, onclick: () => this.model.send({ kind: "open", run: run.run }) }, "Show"));
    if (run.test === "extrude" && !run.problem) node.append(" ", make("button", { type: "button", class: "hb-link", "aria-label": `enter weighings of run ${run.run}`, onclick: () => this.entries.open(run.run) }, "Weighings"));
    if (run.outcome === "cut off" && !run.problem) node.append(" ", make("button", { type: "button", class: "hb-link", "aria-label": `close the cut-off run ${run.run} properly`, onclick: () => this.model.send({ kind: "mend", run: run.run }) }, "Close properly"));
    return node;
  }

  remove() { this.cleanups.forEach((act) => act()); }
}

function whole(...words) { // words that a narrow table breaks between, never within
  return make("span", {}, ...words.flatMap((word) => [" ", make("span", { class: "hb-whole" }, word)]).slice(1));
}

function moment(stamp) {
  const [day, time = ""] = stamp.split("T");
  return time ? whole(day, `${time.slice(0, 5)} UTC`) : whole(stamp);
}

function table(heads, rows, numeric = []) {
  const side = (k) => (numeric.includes(k) ? "hb-num" : null);
  return make("table", {}, make("thead", {}, make("tr", {}, ...heads.map((h, k) => make("th", { scope: "col", class: side(k) }, h)))),
    make("tbody", {}, ...rows.map((cells) => make("tr", {}, ...cells.map((cell, k) => make("td", { class: side(k) }, cell))))));
}

function render({ model, el }) {
  const panel = new Panel(model, el);
  return () => panel.remove();
}

export { Chart, Trace };
export default { render };
