"use strict";
// Draws what the server says. Every word goes in as text, never as markup. Nothing here is sent to the bench.

const at = (id) => document.getElementById(id);
const percent = (position) => `${((Math.max(-1, Math.min(1, position)) + 1) / 2) * 100}%`;
const clone = (id) => at(id).content.firstElementChild.cloneNode(true);

function words(place, text) {
  const element = typeof place === "string" ? at(place) : place;
  if (element.textContent !== text) element.textContent = text;
}

// Each line: its words, its class, and what goes before it in large letters.
function list(id, lines) {
  const shown = JSON.stringify(lines);
  if (at(id).dataset.shown === shown) return;
  at(id).dataset.shown = shown;
  at(id).replaceChildren(...lines.map(([line, kind, first]) => {
    const item = document.createElement("li");
    if (first) item.append(Object.assign(document.createElement("b"), {textContent: first}));
    item.append(line);
    item.className = kind ?? "";
    return item;
  }));
}

function when(iso) {
  const moment = new Date(iso);
  const time = moment.toLocaleTimeString([], {hour: "2-digit", minute: "2-digit", hourCycle: "h23"});
  return moment.toDateString() === new Date().toDateString() ? time : `${moment.toLocaleDateString()} ${time}`;
}

function range(box, name, ends) {
  const band = box.querySelector(name);
  band.hidden = !ends || ends[1] <= ends[0];
  if (band.hidden) return;
  band.style.left = percent(ends[0]);
  band.style.right = `calc(100% - ${percent(ends[1])})`;
}

function mark(box, position) {
  const here = box.querySelector(".here");
  here.hidden = position === null;
  if (position !== null) here.style.left = percent(position);
}

function gauge(bar) {
  const box = at("gauge");
  box.hidden = !bar;
  if (!bar) return;
  box.classList.toggle("inside", bar.inside && !bar.stale);
  box.classList.toggle("stale", bar.stale);
  words("name", bar.name);
  words("target", `target ${bar.target}${bar.away ? `, now ${bar.away}` : ""}`);
  words("value", bar.value);
  words("cue", bar.cue);
  range(box, ".window", bar.edges);
  mark(box, bar.position);
  at("held").firstElementChild.style.width = `${bar.held * 100}%`;
}

// The watch: one tile for each channel.

const tiles = new Map();

function tile(channel) {
  if (!tiles.has(channel.name)) tiles.set(channel.name, clone("tile"));
  const box = tiles.get(channel.name);
  box.className = channel.state;
  box.levels = channel.levels;
  words(box.querySelector("b"), channel.name);
  words(box.querySelector(".state"), ["in", "unknown", ""].includes(channel.state) ? channel.state : `${channel.state} since ${when(channel.since)}`);
  const [value, unit] = channel.value.split(" ");
  words(box.querySelector(".value span"), value);
  words(box.querySelector(".value small"), unit ?? "");
  words(box.querySelector(".limits"), channel.limits);
  range(box, ".acceptable", channel.acceptable);
  range(box, ".window", channel.window);
  mark(box, channel.position);
  return box;
}

function watch(soak) {
  at("watch").hidden = !soak;
  at("done").hidden = !soak?.left;
  const shown = soak ? soak.tiles.map(tile) : [];
  if (!soak) tiles.clear();
  if (shown.length !== at("tiles").children.length || shown.some((box, i) => at("tiles").children[i] !== box)) {
    at("tiles").replaceChildren(...shown);
    drawAll();
  }
  if (!soak) return;
  words("state", soak.state);
  words("left", soak.left ? `${soak.left} left, ${soak.elapsed} done` : `for ${soak.elapsed}`);
  at("done").firstElementChild.style.width = `${soak.done * 100}%`;
}

function alarm(it) {
  const parts = [
    " ", it.words, `since ${when(it.since)}`,
    it.count > 1 ? `${it.count} times` : "", it.active ? "" : "gone by itself",
    it.acknowledged ? `acknowledged by ${it.acknowledged}` : "",
  ];
  const first = `${it.loud ? "STILL NOT SAFE: " : ""}${it.severity.toUpperCase()}: ${it.title}`;
  return [parts.filter(Boolean).join(" · "), it.severity, first];
}

// Trends: slots of equal length, joined in pairs when the server joins them.

const trends = new Map();
let scale = "whole";

function lay(old, fresh) {
  let slots = old?.slots ?? new Map();
  for (let seconds = old?.seconds ?? fresh.seconds; seconds < fresh.seconds; seconds *= 2) {
    const joined = new Map();
    for (const [slot, [low, high]] of slots) {
      const [least, most] = joined.get(slot >> 1) ?? [low, high];
      joined.set(slot >> 1, [Math.min(least, low), Math.max(most, high)]);
    }
    slots = joined;
  }
  for (const [slot, low, high] of fresh.slots) slots.set(slot, [low, high]);
  return {seconds: fresh.seconds, slots};
}

function take(news, everything) {
  if (everything) trends.clear();
  for (const [name, fresh] of Object.entries(news)) {
    const known = trends.get(name);
    const old = known && known.unit === fresh.unit ? known : undefined;
    const recent = lay(old?.recent, fresh.recent);
    const newest = Math.max(...recent.slots.keys());
    for (const slot of recent.slots.keys()) if (slot <= newest - 480) recent.slots.delete(slot);
    trends.set(name, {unit: fresh.unit, whole: lay(old?.whole, fresh.whole), recent, drawn: false});
  }
}

const PREFIXES = [[1e9, "G"], [1e6, "M"], [1e3, "k"], [1, ""], [1e-3, "m"], [1e-6, "u"], [1e-9, "n"], [1e-12, "p"]];

function between(low, high, unit) {
  const most = Math.max(Math.abs(low), Math.abs(high));
  const plain = !/^(V|A|ohm|F|H|W|Hz|s)$/.test(unit) || most === 0;
  const [size, prefix] = (plain ? undefined : PREFIXES.find(([least]) => most >= least)) ?? [1, ""];
  const digits = Math.max(0, 3 - Math.floor(Math.log10(most / size || 1)));
  return `${(low / size).toFixed(digits)} to ${(high / size).toFixed(digits)} ${prefix}${unit}`;
}

function length(seconds) {
  if (seconds < 120) return `${Math.round(seconds)} s`;
  if (seconds < 7200) return `${Math.round(seconds / 60)} min`;
  return seconds < 172800 ? `${(seconds / 3600).toFixed(1)} h` : `${(seconds / 86400).toFixed(1)} d`;
}

function draw(box, part, levels) {
  const slots = [...part.slots].sort(([one], [other]) => one - other);
  let low = Math.min(...slots.map(([, ends]) => ends[0]));
  let high = Math.max(...slots.map(([, ends]) => ends[1]));
  const found = [low, high];
  // Noise is not blown up to fill the picture: it shows a tenth of the window at least.
  const [below, above] = levels ?? [null, null];
  const least = below !== null && above !== null ? (above - below) / 10 : Math.abs(high) / 2000 || 1;
  const middle = (low + high) / 2;
  low = Math.min(low, middle - least / 2);
  high = Math.max(high, middle + least / 2);
  const first = slots[0][0];
  const last = Math.max(slots[slots.length - 1][0], first + 1);
  const x = (slot) => (((slot - first) / (last - first)) * 300).toFixed(1);
  const y = (value) => (57 - ((value - low) / (high - low)) * 54).toFixed(1);
  const runs = [];
  for (const it of slots) {
    const run = runs[runs.length - 1];
    if (run && it[0] - run[run.length - 1][0] <= 10) run.push(it);
    else runs.push([it]);
  }
  const band = (run) => [...run.map(([slot, ends]) => `${x(slot)} ${y(ends[1])}`),
    ...run.reverse().map(([slot, ends]) => `${x(slot)} ${y(ends[0])}`)].join("L");
  box.querySelector(".band").setAttribute("d", runs.map((run) => `M${band(run)}Z`).join(""));
  const seen = [below, above].filter((level) => level !== null && level >= low && level <= high);
  box.querySelector(".level").setAttribute("d", seen.map((level) => `M0 ${y(level)}H300`).join(""));
  return [...found, (last - first) * part.seconds];
}

function figure(name) {
  const found = [...at("trends").children].find((box) => box.dataset.name === name);
  if (found) return found;
  const box = clone("trend");
  box.dataset.name = name;
  at("trends").append(box);
  return box;
}

function drawAll() {
  for (const box of [...at("trends").children]) if (!trends.has(box.dataset.name) || tiles.has(box.dataset.name)) box.remove();
  at("range").hidden = ![...trends.values()].some((it) => Math.max(...it.whole.slots.keys()) * it.whole.seconds > 3600);
  for (const [name, trend] of trends) {
    if (trend.drawn) continue;
    const box = tiles.get(name) ?? figure(name);
    if (!trend[scale].slots.size) continue;
    const [low, high, span] = draw(box, trend[scale], box.levels);
    const said = `${between(low, high, trend.unit)} in ${length(span)}`;
    words(box.querySelector("figcaption") ?? box.querySelector(".span"), tiles.has(name) ? said : `${name}: ${said}`);
    trend.drawn = true;
  }
}

function choose(wanted) {
  scale = wanted;
  for (const it of ["recent", "whole"]) at(it).setAttribute("aria-pressed", String(it === wanted));
  for (const trend of trends.values()) trend.drawn = false;
  drawAll();
}

for (const it of ["recent", "whole"]) at(it).addEventListener("click", () => choose(it));

// The page

const MOST_ALARMS = 3; // at the top; the values must stay in sight
let drawing = 0;

function page(data) {
  words("job", data.job);
  words("step", data.step);
  words("outcome", data.outcome);
  words("hold", data.hold_point);
  at("hold").hidden = !data.hold_point;
  const unseen = data.alarms.filter((it) => !it.acknowledged);
  const more = unseen.length > MOST_ALARMS ? [[`and ${unseen.length - MOST_ALARMS} more alarms`, "warning"]] : [];
  list("alarms", [...unseen.slice(0, MOST_ALARMS).map(alarm), ...more]);
  list("taken", data.alarms.filter((it) => it.acknowledged).map(alarm));
  words("lost", Object.entries(data.lost).map(([name, why]) => `${name} lost: ${why}`).join(" · "));
  document.title = `${unseen.length ? `(${unseen.length}) ` : ""}benchrig dashboard`;
  list("remarks", [...data.remarks].reverse().map((line) => [line, line.startsWith("ALARM: ") ? "alarm" : ""]));
  list("verdicts", [...data.verdicts].reverse().map((line) => [line]));
  gauge(data.bar);
  watch(data.soak);
}

// The server speaks at least once a second; silence means that what stands here is old, and that is said.
let heard = performance.now();

function listen() {
  const source = new EventSource("live" + document.body.dataset.token);
  source.onmessage = (event) => {
    heard = performance.now();
    const data = JSON.parse(event.data);
    take(data.trends, data.whole);
    page(data.page);
    if (!drawing) drawing = setTimeout(() => { drawing = 0; drawAll(); }, data.whole ? 0 : 500);
  };
  source.addEventListener("beat", () => { heard = performance.now(); });
  // A refusal ends an event source for good; a bench that was too busy, or began anew, is asked again.
  source.onerror = () => { if (source.readyState === EventSource.CLOSED) setTimeout(listen, 3000); };
}

setInterval(() => {
  const silence = (performance.now() - heard) / 1000;
  document.body.classList.toggle("old", silence > 3);
  words("link", silence > 3 ? `No word from the bench for ${Math.round(silence)} s: what stands below is OLD.` : "");
}, 500);

choose(scale);
listen();
