"use strict";
// The law's equation, by the same exponents as `law.tex`, and the throws that it was fitted to.
const D = JSON.parse(document.getElementById("data").textContent);

function air(T, p) {
  // density, viscosity and speed of sound, linear between the points of a table
  const at = (list, x) => {
    let k = 0;
    while (k < list.length - 2 && x > list[k + 1]) k++;
    return [k, (x - list[k]) / (list[k + 1] - list[k])];
  };
  const [i, a] = at(D.air.temperature, T), [j, b] = at(D.air.pressure, p);
  return D.air.values.map(v => (1 - a) * ((1 - b) * v[i][j] + b * v[i][j + 1])
    + a * ((1 - b) * v[i + 1][j] + b * v[i + 1][j + 1]));
}

const meanRatio = (r, e) => r + (1 - r) / (e + 1);
const massBeyond = (x, r, e) => (r * x + (1 - r) * x ** (e + 1) / (e + 1)) / meanRatio(r, e);
function foldTime(r, e) {
  let sum = 0;
  const n = 400;
  for (let i = 0; i < n; i++) {
    const root = (i + 0.5) / n;
    sum += 2 * Math.sqrt(massBeyond(root * root, r, e)) * 2 * root / n;
  }
  return sum;
}

function quantities(t) {
  const [density, viscosity, sound] = air(t.temperature, t.pressure);
  const butt = t.mass / t.length / meanRatio(t.tip_ratio, t.taper), tip = butt * t.tip_ratio;
  return {
    length: t.length, mass: t.mass, tip_diameter: Math.sqrt(4 * tip / (Math.PI * t.cord_density)),
    tip_stiffness: t.stiffness * tip, damping: t.damping, tuft_area: t.tuft_area, loop: t.loop,
    hand_speed: D.peak_rate * t.amplitude / t.time, air_density: density, air_viscosity: viscosity,
    sound_speed: sound, gravity: D.gravity, butt: butt,
  };
}

function groups(t) {
  const q = quantities(t), out = {};
  for (const g of D.groups) {
    if (g.plain) out[g.name] = t[g.name];
    else if (g.name === "tip_ratio") out[g.name] = Math.log(t.tip_ratio);
    else {
      out[g.name] = g.name === "drag" ? Math.log(t.drag) : 0;
      for (const [name, power] of Object.entries(g.powers)) out[g.name] += power * Math.log(q[name]);
    }
  }
  return out;
}

function forms(t) {
  const q = quantities(t), V = (1 - t.follow) * q.hand_speed, along = t.follow * q.hand_speed;
  const peak = along + V / Math.sqrt(massBeyond(D.left, t.tip_ratio, t.taper));
  const run = foldTime(t.tip_ratio, t.taper) * t.length / V, reach = t.length + along * run;
  return {
    peak_speed: peak, peak_speed_100us: peak, crack_time: run,
    crack_ahead: reach * Math.cos(t.direction), crack_up: reach * Math.sin(t.direction),
    peak_force: 0.25 * q.butt * V * V, end_energy: 0.5 * t.mass * V * V,
  };
}

function predict(t) {
  const g = groups(t), f = forms(t), out = {};
  for (const part of D.parts) {
    let added = part.constant;
    for (const [name, power] of Object.entries(part.power)) added += power * g[name];
    const value = x => part.ratio ? f[part.name] * Math.exp(x) : f[part.name] + x * t.length;
    out[part.name] = [value(added), value(added - part.half), value(added + part.half)];
  }
  const outside = D.groups.filter(one => {
    const slack = 0.02 * (one.high - one.low);
    return g[one.name] < one.low - slack || g[one.name] > one.high + slack;
  }).map(one => one.name);
  return { out, outside };
}

const shown = v => v !== 0 && Math.abs(v) < 1e-3 ? v.toExponential(2) : Number(v.toPrecision(3)).toString();
const now = {};
const css = name => getComputedStyle(document.body).getPropertyValue(name) || "currentColor";

function told() {
  const { out, outside } = predict(now);
  document.getElementById("said").innerHTML = "";
  for (const part of D.parts) {
    const row = document.createElement("tr"), [v, low, high] = out[part.name];
    for (const [k, text] of [`${part.name} [${part.unit}]`, shown(v), `${shown(low)} to ${shown(high)}`].entries()) {
      const cell = document.createElement("td");
      cell.textContent = text;
      if (k) cell.className = "n";
      row.append(cell);
    }
    document.getElementById("said").append(row);
  }
  document.getElementById("outside").textContent =
    outside.length ? `Outside the range of validity: ${outside.join(", ")}. Believe no number.` : "";
  drawThrow();
}

function paper(id) {
  const canvas = document.getElementById(id), scale = window.devicePixelRatio || 1;
  const width = canvas.clientWidth, height = Number(canvas.dataset.height);
  canvas.style.height = `${height}px`;
  if (canvas.width !== Math.round(width * scale)) canvas.width = Math.round(width * scale);
  canvas.height = Math.round(height * scale);
  const pen = canvas.getContext("2d");
  pen.setTransform(scale, 0, 0, scale, 0, 0);
  pen.clearRect(0, 0, width, height);
  pen.font = "11px system-ui, sans-serif";
  return { pen, width, height };
}

// A motion is its moments: time [s] and points [m], ahead and up from where the hand stopped.
function byForm(t) {
  // the fold's distance from the tip over time: d left / dt = -V / (2 L sqrt(m)), V at first 1
  const L = t.length, moments = 25, steps = [[0, 1]], V = (1 - t.follow) * quantities(t).hand_speed;
  let clock = 0;
  for (let left = 1; left > 0.004; left -= 0.004) {
    clock += 0.004 * 2 * Math.sqrt(massBeyond(left - 0.002, t.tip_ratio, t.taper));
    steps.push([clock, left - 0.004]);
  }
  const out = [];
  for (let k = 0; k < moments; k++) {
    const when = clock * (1 - (1 - k / (moments - 1)) ** 1.7);
    const left = steps.reduce((best, s) => Math.abs(s[0] - when) < Math.abs(best[0] - when) ? s : best)[1];
    const radius = Math.min(0.5 * t.loop, L * left / Math.PI);
    const lower = Math.max(0, L * (1 - left)), upper = Math.max(0, L * left - Math.PI * radius);
    const points = [[0, 0]];
    for (let i = 0; i <= 24; i++) {
      const a = Math.PI * i / 24;
      points.push([lower + radius * Math.sin(a), radius * (1 - Math.cos(a))]);
    }
    points.push([lower - upper, 2 * radius]);
    out.push({ time: when * L / V, points });
  }
  return out;
}

const handSpeed = t => D.peak_rate * t.amplitude / t.time;

function byEngine(t) {
  const E = D.engine, V = handSpeed(t);
  const x = E.axes.map(a => {
    const v = a.name === "hand_speed" ? V : t[a.name];
    return 2 * (a.log ? Math.log(v / a.low) / Math.log(a.high / a.low) : (v - a.low) / (a.high - a.low)) - 1;
  });
  const weight = E.terms.map(term => term.reduce((product, k) => product * x[k], 1));
  const sum = of => weight.reduce((total, w, b) => total + w * of(b), 0);
  const numbers = {};
  E.names.forEach((name, k) => { numbers[name] = Math.exp(sum(b => E.numbers[b][k])); });
  const motion = E.share.map((share, m) => {
    const time = share * numbers.crack_time, points = [];
    const way = E.follow * V * time;
    let u = way * Math.cos(E.direction_up), v = way * Math.sin(E.direction_up);
    points.push([u, v]);
    for (let p = 0; p + 1 < E.station.length; p++) {
      const a = sum(b => E.direction[b][m][p]) / 1000 + E.direction_up;
      const step = t.length * (E.station[p + 1] - E.station[p]);
      u += step * Math.cos(a);
      v += step * Math.sin(a);
      points.push([u, v]);
    }
    return { time, points };
  });
  return { motion, numbers };
}

const percent = x => `${Number((100 * x).toPrecision(2))} %`;
// What moves the picture of the engine; the other sliders are in the middle there.
const moves = () => [...D.engine.axes.map(a => a.name), "amplitude", "time"];
let elapsed = 1;

function drawThrow() {
  const whose = D.engine ? document.querySelector("input[name=whose]:checked").value : "form";
  const marked = document.getElementById("marked");
  let motion;
  if (whose === "engine") {
    const found = byEngine(now), E = D.engine;
    motion = found.motion;
    const still = D.inputs.filter(i => now[i.name] !== i.middle && !moves().includes(i.name)).map(i => i.name);
    marked.textContent = `By the forward engine: between ${E.throws} throws of unlike length, mass, taper and hand that were `
      + `run. Its tip reaches ${shown(found.numbers.peak_speed)} m/s after ${shown(1000 * found.numbers.crack_time)} ms. `
      + `At throws that were left out the line was off by ${percent(E.off)} of its length (median), nine tips in ten by less `
      + `than ${percent(E.tip_off)}, the peak speed by ${percent(E.speed_off)}.`
      + (still.length ? ` It leaves ${still.join(", ")} in the middle of the range: no picture follows there.` : "");
  } else {
    motion = byForm(now);
    marked.textContent = "By the closed form: a fold without air, bending and weight, seen with the hand. The engine did not make it.";
  }
  paintThrow(motion);
}

function paintThrow(motion) {
  const { pen, width, height } = paper("throw"), moments = 8;
  const every = motion.flatMap(m => m.points), last = motion[motion.length - 1].time;
  const x0 = Math.min(...every.map(p => p[0])), x1 = Math.max(...every.map(p => p[0]));
  const y0 = Math.min(...every.map(p => p[1])), y1 = Math.max(...every.map(p => p[1]));
  const scale = Math.min((width - 30) / (x1 - x0), (height - 30) / Math.max(y1 - y0, 0.1));
  const X = x => 0.5 * width + scale * (x - 0.5 * (x0 + x1)), Y = y => 0.5 * height - scale * (y - 0.5 * (y0 + y1));
  const lineAt = time => {
    let k = 0;
    while (k < motion.length - 2 && time > motion[k + 1].time) k++;
    const a = motion[k], b = motion[k + 1], s = Math.min(1, (time - a.time) / (b.time - a.time || 1));
    return a.points.map((p, i) => [p[0] + s * (b.points[i][0] - p[0]), p[1] + s * (b.points[i][1] - p[1])]);
  };
  const stroke = (points, colour, thick) => {
    pen.beginPath();
    points.forEach((p, i) => pen[i ? "lineTo" : "moveTo"](X(p[0]), Y(p[1])));
    pen.strokeStyle = pen.fillStyle = colour;
    pen.lineWidth = thick;
    pen.stroke();
    const tip = points[points.length - 1];
    pen.beginPath();
    pen.arc(X(tip[0]), Y(tip[1]), 1.6 * thick, 0, 7);
    pen.fill();
  };
  for (let k = 0; k < moments; k++) {
    const point = motion[Math.round(k * (motion.length - 1) / (moments - 1))];
    stroke(point.points, `hsl(${215 - 190 * k / (moments - 1)} 75% 45% / ${elapsed < 1 ? 0.3 : 1})`, 1.8);
  }
  if (elapsed < 1) stroke(lineAt(elapsed * last), css("color"), 2.4);
  pen.fillStyle = css("color");
  pen.textAlign = "left";
  const bar = 10 ** Math.floor(Math.log10(0.3 * width / scale));
  pen.fillRect(10, height - 8, scale * bar, 2);
  pen.fillText(`${bar} m`, 10, height - 12);
  document.getElementById("clock").textContent = `${shown(1000 * elapsed * last)} ms`;
}

function playing() {
  const moment = document.getElementById("moment"), button = document.getElementById("play");
  let begun = null;
  const tick = at => {
    if (begun === null) return;
    elapsed = Math.max(0, Math.min(1, (at - begun) / 4000)); // a frame may have begun before the click
    moment.value = 1000 * elapsed;
    drawThrow();
    if (elapsed < 1) requestAnimationFrame(tick);
    else { begun = null; button.textContent = "Play"; }
  };
  button.addEventListener("click", () => {
    if (begun !== null) { begun = null; button.textContent = "Play"; return; }
    begun = performance.now();
    button.textContent = "Stop";
    requestAnimationFrame(tick);
  });
  moment.addEventListener("input", () => { begun = null; button.textContent = "Play"; elapsed = moment.value / 1000; drawThrow(); });
  for (const one of document.querySelectorAll("input[name=whose]")) one.addEventListener("change", drawThrow);
  for (const label of document.querySelectorAll("#whose label:has([name=whose])")) label.hidden = !D.engine;
}

function sliders() {
  const box = document.getElementById("sliders");
  for (const one of D.inputs) {
    now[one.name] = one.middle;
    const label = document.createElement("label"), range = document.createElement("input");
    const said = document.createElement("output");
    label.append(one.name, range, said);
    label.title = one.meaning;
    Object.assign(range, { type: "range", min: 0, max: 1000, value: 500 });
    range.dataset.name = one.name;
    const share = x => one.even === "log" ? one.low * (one.high / one.low) ** x : one.low + (one.high - one.low) * x;
    const say = () => { said.textContent = `${shown(now[one.name])} ${one.unit === "1" ? "" : one.unit}`; };
    range.addEventListener("input", () => { now[one.name] = share(range.value / 1000); say(); told(); });
    say();
    box.append(label);
  }
}

const brushes = {};
let order = [];
const kept = () => order.filter(i => Object.entries(brushes).every(([c, [a, b]]) => {
  const x = D.throws[c][i];
  return x >= a && x <= b;
}));

function unitOf(name) {
  const one = [...D.inputs, ...D.parts].find(item => item.name === name) || { unit: "m/s" }; // else the hand's speed
  return one.unit === "1" ? "" : ` [${one.unit}]`;
}

function layout(width, height) {
  const names = D.columns;
  return names.map((name, k) => {
    const values = D.throws[name], low = Math.min(...values), high = Math.max(...values);
    return { name, x: 40 + k * (width - 80) / (names.length - 1), low, high,
      y: v => height - 30 - (v - low) / (high - low || 1) * (height - 70),
      v: y => low + (height - 30 - y) / (height - 70) * (high - low) };
  });
}

function drawThrows() {
  const { pen, width, height } = paper("axes"), axes = layout(width, height);
  const live = new Set(kept()), ink = css("color");
  for (const bright of [false, true]) {
    pen.lineWidth = bright ? 0.8 : 0.4;
    pen.strokeStyle = bright ? "rgba(0,114,178,.35)" : "rgba(128,128,128,.12)";
    for (const i of order) {
      if (live.has(i) !== bright) continue;
      pen.beginPath();
      axes.forEach((a, k) => pen[k ? "lineTo" : "moveTo"](a.x, a.y(D.throws[a.name][i])));
      pen.stroke();
    }
  }
  pen.fillStyle = pen.strokeStyle = ink;
  pen.textAlign = "center";
  axes.forEach((a, k) => {
    pen.lineWidth = 1;
    pen.strokeRect(a.x, 40, 0, height - 70);
    pen.fillText(a.name + unitOf(a.name), a.x, k % 2 ? 12 : 24);
    pen.fillText(shown(a.high), a.x, 36);
    pen.fillText(shown(a.low), a.x, height - 16);
    if (brushes[a.name]) {
      const [low, high] = brushes[a.name];
      pen.globalAlpha = 0.3;
      pen.fillRect(a.x - 7, a.y(high), 14, a.y(low) - a.y(high));
      pen.globalAlpha = 1;
    }
  });
  document.getElementById("kept").textContent = `${live.size} of ${order.length} throws shown.`;
  drawCollapse(live, ink);
}

function drawCollapse(live, ink) {
  const { pen, width, height } = paper("collapse"), e = D.throws.equation, s = D.throws.peak_speed;
  const low = Math.log(Math.min(...e, ...s)), high = Math.log(Math.max(...e, ...s));
  const X = v => 40 + (Math.log(v) - low) / (high - low) * (width - 55);
  const Y = v => height - 30 - (Math.log(v) - low) / (high - low) * (height - 50);
  for (const i of order) {
    pen.fillStyle = live.has(i) ? "rgba(0,114,178,.6)" : "rgba(128,128,128,.15)";
    pen.fillRect(X(e[i]) - 1.5, Y(s[i]) - 1.5, 3, 3);
  }
  pen.strokeStyle = pen.fillStyle = ink;
  pen.beginPath();
  pen.moveTo(X(Math.exp(low)), Y(Math.exp(low)));
  pen.lineTo(X(Math.exp(high)), Y(Math.exp(high)));
  pen.stroke();
  pen.textAlign = "left";
  pen.fillText("peak speed by the engine [m/s]", 8, 12);
  pen.textAlign = "right";
  pen.fillText("by the equation [m/s]", width - 8, height - 4);
  pen.textAlign = "center";
  for (const v of [30, 50, 100, 200, 400]) {
    if (Math.log(v) < low || Math.log(v) > high) continue;
    pen.fillText(String(v), X(v), height - 16);
    pen.fillText(String(v), 18, Y(v) + 4);
  }
}

function brushing() {
  const canvas = document.getElementById("axes");
  let held = null;
  const place = e => [e.offsetX, e.offsetY];
  canvas.addEventListener("pointerdown", e => {
    const [x, y] = place(e), axes = layout(canvas.clientWidth, Number(canvas.dataset.height));
    const near = axes.reduce((a, b) => Math.abs(b.x - x) < Math.abs(a.x - x) ? b : a);
    if (Math.abs(near.x - x) > 20) return;
    held = { axis: near, from: y };
    canvas.setPointerCapture(e.pointerId);
  });
  canvas.addEventListener("pointermove", e => {
    if (!held) return;
    const two = [held.axis.v(held.from), held.axis.v(place(e)[1])].sort((a, b) => a - b);
    brushes[held.axis.name] = two;
    drawThrows();
  });
  canvas.addEventListener("pointerup", e => {
    if (held && Math.abs(place(e)[1] - held.from) < 3) delete brushes[held.axis.name];
    held = null;
    drawThrows();
  });
}

order = D.throws.peak_speed.map((_, i) => i);
sliders();
told();
brushing();
playing();
drawThrows();
window.addEventListener("resize", () => { told(); drawThrows(); });
