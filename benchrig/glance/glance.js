"use strict";
// Draws what the server says. Every word goes in as text, never as markup.

const at = (id) => document.getElementById(id);
const percent = (position) => `${((Math.max(-1, Math.min(1, position)) + 1) / 2) * 100}%`;

function words(id, text) {
  at(id).textContent = text;
}

function list(id, lines) {
  at(id).replaceChildren(...lines.map((line) => {
    const item = document.createElement("li");
    item.textContent = line;
    return item;
  }));
}

function gauge(bar) {
  const box = at("gauge");
  box.hidden = !bar;
  if (!bar) return;
  box.classList.toggle("inside", bar.inside && !bar.stale);
  box.classList.toggle("stale", bar.stale);
  words("name", bar.name);
  words("target", `target ${bar.target}   ${bar.away}`);
  words("value", bar.value);
  words("cue", bar.cue);
  at("window").style.left = percent(bar.edges[0]);
  at("window").style.right = `calc(100% - ${percent(bar.edges[1])})`;
  at("here").hidden = bar.position === null;
  if (bar.position !== null) at("here").style.left = percent(bar.position);
  at("held").firstElementChild.style.width = `${bar.held * 100}%`;
}

const PREFIXES = [[1e9, "G"], [1e6, "M"], [1e3, "k"], [1, ""], [1e-3, "m"], [1e-6, "u"], [1e-9, "n"], [1e-12, "p"]];

function quantity(value, unit) {
  if (!/^(V|A|ohm|F|H|W|Hz|s)$/.test(unit) || value === 0) return `${Number(value.toPrecision(5))} ${unit}`;
  const [scale, prefix] = PREFIXES.find(([size]) => Math.abs(value) >= size) ?? PREFIXES[PREFIXES.length - 1];
  return `${(value / scale).toPrecision(5)} ${prefix}${unit}`;
}

function trend(name, points, unit) {
  const low = Math.min(...points.map((p) => p[1]));
  const high = Math.max(...points.map((p) => p[2]));
  const start = points[0][0];
  const span = points[points.length - 1][0] - start || 1;
  const rise = high - low || 1;
  const x = (t) => (((t - start) / span) * 300).toFixed(1);
  const y = (v) => (105 - ((v - low) / rise) * 100).toFixed(1);
  const figure = document.createElement("figure");
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
  svg.setAttribute("viewBox", "0 0 300 110");
  svg.setAttribute("preserveAspectRatio", "none");
  path.setAttribute("d", "M" + points.map((p) => `${x(p[0])} ${y(p[1])}L${x(p[0])} ${y(p[2])}`).join("L"));
  svg.append(path);
  const caption = document.createElement("figcaption");
  caption.textContent = `${name}: ${quantity(points[points.length - 1][2], unit)}, from ${quantity(low, unit)} to ` +
    `${quantity(high, unit)} in ${Math.round(span)} s`;
  figure.append(caption, svg);
  return figure;
}

function page(data) {
  words("job", data.job);
  words("step", data.step);
  words("outcome", data.outcome);
  words("hold", data.hold_point);
  at("hold").hidden = !data.hold_point;
  list("alarms", [...Object.entries(data.lost).map(([name, why]) => `${name} lost: ${why}`), ...data.alarms]);
  list("verdicts", [...data.verdicts].reverse());
  gauge(data.bar);
  at("trends").replaceChildren(...Object.entries(data.trends).map(([name, points]) => trend(name, points, data.units[name] ?? "")));
}

// The server speaks at least once a second; silence means that what stands here is old, and that is said.
let heard = performance.now();

function listen() {
  const source = new EventSource("live" + document.body.dataset.token);
  source.onmessage = (event) => {
    heard = performance.now();
    page(JSON.parse(event.data));
  };
  source.addEventListener("beat", () => { heard = performance.now(); });
}

setInterval(() => {
  const silence = (performance.now() - heard) / 1000;
  words("link", silence > 3 ? `No word from the bench for ${Math.round(silence)} s: what stands below is OLD.` : "");
}, 500);

listen();
