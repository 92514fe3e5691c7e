// The page: what comes from the machine is drawn once for each picture of the screen, what the hands do is said as often.

import { Bench } from "./bench.js";
import { Film } from "./film.js";
import { Hands, mark } from "./hands.js";
import { Strips, WINDOW_S } from "./strips.js";
import { Views } from "./views.js";
import { wire } from "./wire.js";

const get = (id) => document.getElementById(id);
const say = (said) => link.say(said);
const rates = { frames: 0, pictures: 0, moments: 0, bytes: 0, since: performance.now(), delays: [] };
let [you, machine, now, drawn, told, connected] = [null, null, null, null, 0, false];
let noteAway = 0;

function tell(good, text) {
  get("note").textContent = text;
  get("note").classList.toggle("bad", !good);
  get("note").hidden = false;
  clearTimeout(noteAway);
  noteAway = setTimeout(() => { get("note").hidden = true; }, 8000);
}

const driving = () => connected && you !== null && now?.holder === you && !film.moments;
const views = new Views();
const strips = new Strips();
const film = new Film(tell, () => {
  hands.letGo();
  if (machine) {
    views.begin(machine);
    strips.begin(machine);
  }
});
const hands = new Hands(say, () => driving());
const bench = new Bench(say, tell);
const link = wire(heard, (is) => {
  connected = is;
  if (is) return;
  you = null;
  hands.letGo();
  get("plate").dataset.state = "";
  get("state").textContent = "no connection";
  get("latched").textContent = "";
});
get("sit").onclick = () => say({ kind: "sit" });
get("rise").onclick = () => say({ kind: "rise" });

function heard(message, bytes) {
  rates.bytes += bytes;
  if (message.kind === "now") {
    if (message.session !== machine?.session) return;
    now = message;
    rates.moments += 1;
  } else if (message.kind === "machine") begin(message);
  else if (message.kind === "you") {
    you = message.you;
    // Whoever comes first sits down; for others the seat is taken.
    say({ kind: "sit" });
  } else if (message.kind === "log") addLines(message);
  else if (message.kind === "note") {
    // That the seat is taken is plain to see.
    if (message.good || message.text !== "the seat is taken") tell(message.good, message.text);
    if (message.film !== null) film.show(message.film);
  }
}

function begin(message) {
  machine = message;
  now = null;
  told = 0;
  document.title = `seat: ${machine.machine}`;
  get("machine").textContent = machine.machine;
  get("from").textContent = `${machine.file}${machine.tuned ? ", with changed figures" : ""} · ${machine.station === "remote" ? "wireless station" : "seat"}`;
  get("log").replaceChildren();
  if (!film.moments) {
    views.begin(machine);
    strips.begin(machine);
  }
  hands.begin(machine);
  bench.begin(machine);
  const rows = (names, columns) => names.map(({ name }) => {
    const row = document.createElement("tr");
    row.innerHTML = `<th scope="row"></th>${"<td></td>".repeat(columns)}`;
    row.firstChild.textContent = name;
    return row;
  });
  get("tips").tBodies[0].replaceChildren(...rows(machine.arms, 5));
  get("axes").tBodies[0].replaceChildren(...rows(machine.axes, 9));
}

function addLines({ session, from, lines }) {
  if (session !== machine?.session || from !== told) return;
  told += lines.length;
  const items = lines.map(({ t, what, axis, by }) => {
    const item = document.createElement("li");
    item.innerHTML = "<span></span><span></span>";
    item.firstChild.textContent = `${t.toFixed(3)} s`;
    item.lastChild.textContent = axis ? `${what} (${axis})` : what;
    item.className = by;
    return item;
  });
  get("log").prepend(...items.reverse());
  while (get("log").children.length > 500) get("log").lastChild.remove();
}

function put(id, text) {
  const element = get(id);
  if (element.textContent !== text) element.textContent = text;
}

function words(moment) {
  const state = now.over ? "over" : now.begun ? moment.state : "waiting";
  const shape = now.over ? "fault" : moment.state;
  if (get("plate").dataset.state !== shape) get("plate").dataset.state = shape;
  put("state", state);
  put("latched", now.over ?? (now.begun ? moment.latched ?? "" : "until somebody sits down"));
  put("time", `${moment.t.toFixed(1)} s`);
  const { is, wanted, lost } = now.pace;
  const slow = now.begun && is < 0.98 * wanted;
  put("pace", !now.begun ? "waiting" : `${is.toFixed(2)}${slow ? ": too slow" : ""}`);
  get("pace").classList.toggle("bad", slow);
  put("lost", `${lost.toFixed(1)} s`);
  put("watching", `${Math.max(0, now.watchers - 1)}`);
  const yours = driving();
  put("who", film.moments ? "looking at a replay" : yours ? "you have the levers" : now.holder === null ? "the seat is free" : "watching: the seat is taken");
  get("sit").hidden = now.holder !== null;
  get("rise").hidden = now.holder !== you;
  const enabled = moment.state === "enabled" && moment.waits.every(({ met }) => met);
  for (const id of ["enable", "rail-enable"]) put(id, moment.enable ? "Enabling switch held" : "Hold to enable");
  put("why-title", enabled ? "It moves as it is told" : "Why it does not move");
  const key = JSON.stringify(moment.waits);
  if (get("waits").dataset.key !== key) {
    get("waits").dataset.key = key;
    const first = moment.waits.findIndex(({ met }) => !met);
    get("waits").replaceChildren(...moment.waits.map(({ what, met }, number) => {
      const item = document.createElement("li");
      item.textContent = what;
      item.className = met ? "met" : number === first ? "open" : "";
      return item;
    }));
    get("spoken").textContent = `${state}. ${moment.waits[first]?.what ?? ""}`;
  }
  const [power, dump, engine] = moment.relays;
  put("relays", `valve power ${power ? "on" : "off"} · dump valve ${dump ? "closed" : "open"} · engine ${engine ? "may run" : "stopped"} · supply ${moment.supply.toFixed(0)} bar · valves ${
    moment.neutral ? "all told to stay" : "open"}${moment.between === null ? "" : ` · arms ${moment.between} mm apart`}`);
  for (const id of ["stop", "rail-stop"]) {
    mark(get(id), moment.stop);
    put(id, moment.stop ? "Stop is in: let out" : "Stop");
  }
  const faults = JSON.stringify(moment.faults);
  if (get("faults-on").dataset.key !== faults) {
    get("faults-on").dataset.key = faults;
    get("faults-on").replaceChildren(...moment.faults.map(({ number, what, ends }) => {
      const item = document.createElement("li");
      item.append(what);
      if (ends) {
        const mend = document.createElement("button");
        mend.textContent = "Mend";
        mend.setAttribute("aria-label", `mend ${what}`);
        mend.onclick = () => say({ kind: "mend", fault: number });
        item.append(mend);
      }
      return item;
    }));
  }
}

function figures(moment) {
  const fill = (row, cells) => cells.forEach((text, column) => {
    const cell = row.children[column + 1];
    if (cell.textContent !== text) cell.textContent = text;
  });
  moment.arms.forEach((arm, number) => fill(get("tips").tBodies[0].rows[number], [
    arm.tip.join(", "), Math.hypot(...arm.velocity).toFixed(0), `${arm.permitted}`, arm.clearance === null ? "–" : `${arm.clearance}`, `${arm.load}`]));
  moment.axes.forEach(({ v, held }, number) => {
    const { unit } = machine.axes[number];
    fill(get("axes").tBodies[0].rows[number], [`${v[0].toFixed(1)}°`, `${v[1].toFixed(1)} ${unit}`, `${v[2].toFixed(1)} ${unit}/s`, v[4].toFixed(3),
      v[5].toFixed(3), v[6].toFixed(3), v[8].toFixed(0), v[9].toFixed(0), held ?? ""]);
  });
}

function count(at) {
  const gone = (at - rates.since) / 1000;
  if (gone < 1) return;
  const sorted = rates.delays.sort((a, b) => a - b);
  const share = (part) => sorted[Math.min(sorted.length - 1, Math.floor(part * sorted.length))];
  Object.assign(get("rates").dataset, { frames: rates.frames / gone, pictures: rates.pictures / gone, moments: rates.moments / gone, median: share(0.5) ?? "", most: share(0.95) ?? "" });
  const delay = sorted.length ? `${share(0.5).toFixed(0)} ms from hand to picture, ${share(0.95).toFixed(0)} at most in 95 of 100` : "no input yet";
  put("rates", `${(rates.frames / gone).toFixed(0)} frames a second, ${(rates.pictures / gone).toFixed(0)} of them with something new; ${(rates.moments / gone).toFixed(0)} moments, ${
    (rates.bytes / gone / 1024).toFixed(0)} KiB/s, ${delay}`);
  Object.assign(rates, { frames: 0, pictures: 0, moments: 0, bytes: 0, since: at, delays: sorted.slice(-200) });
}

let turn = 0;
function picture(at) {
  requestAnimationFrame(picture);
  rates.frames += 1;
  hands.go();
  if (!now) return;
  const looked = film.moment(at);
  const moment = looked ?? now;
  if (moment === drawn) return;
  drawn = moment;
  rates.pictures += 1;
  if (looked) {
    strips.kept = film.until(looked, WINDOW_S);
    views.retrace(strips.kept);
  } else strips.keep(moment);
  views.draw(moment);
  // Nobody reads figures, or ten seconds of a line, that change sixty times a second.
  turn = (turn + 1) % 6;
  if (turn % 2 === 0 || looked) strips.draw();
  words(moment);
  hands.show();
  if (turn === 0 || looked) figures(moment);
  const delay = looked ? null : hands.delay(now.heard, performance.now());
  if (delay !== null) rates.delays.push(delay);
  count(at);
}
requestAnimationFrame(picture);
