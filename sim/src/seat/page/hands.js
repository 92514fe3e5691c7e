// What the hands do: pad, keys, fingers, put together and said to the machine.

import { Pads, WAYS, keyName, sourceName, switchName } from "./pads.js";

// Said at least so often. The machine takes silence for a lost link.
const SAID_MS = 50;
const get = (id) => document.getElementById(id);
const turned = (value) => Math.max(-1, Math.min(1, value));

// What is set anew to what it was is drawn anew all the same: only what changes is set.
export function mark(button, pressed) {
  if (button.getAttribute("aria-pressed") !== String(pressed)) button.setAttribute("aria-pressed", pressed);
}

export class Hands {
  constructor(say, driving) {
    this.say = say;
    this.driving = driving;
    this.pads = new Pads();
    this.number = 0;
    this.sent = new Map();
    this.touched = {};
    this.keys = new Set();
    this.held = { enable: false, reset: false };
    this.keyShare = 0.5;
    this.last = "";
    this.lastAt = 0;
    this.padStop = false;
    this.listenToKeys();
    this.listenToSwitches();
    addEventListener("blur", () => this.letGo());
    document.addEventListener("visibilitychange", () => document.hidden && this.letGo());
    setInterval(() => this.go(true), SAID_MS);
  }

  begin(machine) {
    this.machine = machine;
    this.pads.begin(machine);
    this.letGo();
    get("mode").value = machine.mode;
    get("pad-dead").value = this.pads.dead;
    get("pad-dead-told").value = this.pads.dead;
    this.drawSticks();
    this.drawEach();
    this.drawMap();
  }

  letGo() {
    this.touched = {};
    this.keys.clear();
    this.held = { enable: false, reset: false };
    this.show();
  }

  lever(number) {
    const [minus, plus] = this.pads.map.levers[number]?.keys ?? [];
    const key = this.keyShare * (Number(this.keys.has(plus)) - Number(this.keys.has(minus)));
    const all = [this.touched[number] ?? 0, key, this.pads.lever(number)];
    return all.reduce((one, two) => (Math.abs(two) > Math.abs(one) ? two : one));
  }

  // Looks at everything and says it, if it has changed or it is time. Nothing is said while a pad that had the levers is gone.
  go(timed = false) {
    if (!this.machine) return;
    const pads = this.pads.look();
    this.tellPads(pads);
    const { steps } = this.machine;
    const switches = this.pads.map.switches;
    const key = (name) => this.keys.has(switches[name].key);
    const stop = this.pads.pressed("stop") || key("stop");
    if (stop && !this.padStop) this.say({ kind: "stop", pressed: true });
    this.padStop = stop;
    const count = 1 + Math.max(...Object.keys(this.pads.map.levers).map(Number));
    const levers = Array.from({ length: count }, (_, number) => Math.round(steps * turned(this.lever(number))));
    const said = {
      kind: "hands",
      levers,
      mode: get("mode").value,
      frame: get("frame").value,
      slow: get("slow").checked,
      enable: this.held.enable || this.pads.pressed("enable") || key("enable"),
      reset: this.held.reset || this.pads.pressed("reset") || key("reset"),
    };
    this.now = said;
    if (!this.driving() || this.pads.missing || document.hidden) return;
    const text = JSON.stringify(said);
    const at = performance.now();
    if (text === this.last && !(timed && at - this.lastAt >= SAID_MS / 2)) return;
    this.number += 1;
    if (this.say({ n: this.number, ...said })) {
      if (text !== this.last) this.sent.set(this.number, at);
      [this.last, this.lastAt] = [text, at];
      if (this.sent.size > 200) this.sent.delete(this.sent.keys().next().value);
    }
  }

  // How long ago the change was said that a moment shows, ms.
  delay(heard, at) {
    let delay = null;
    for (const [number, sent] of this.sent) {
      if (number > heard) break;
      delay = at - sent;
      this.sent.delete(number);
    }
    return delay;
  }

  show() {
    for (const id of ["enable", "rail-enable"]) mark(get(id), this.now?.enable ?? false);
    for (const knob of document.querySelectorAll("#deck .knob")) {
      const share = (number) => (number === "" ? 0 : turned(this.lever(Number(number))));
      const { x, y } = knob.dataset;
      const at = `${50 - 36 * share(x)}% ${50 - 36 * share(y)}%`;
      if (knob.dataset.at === at) continue;
      knob.dataset.at = at;
      [knob.style.left, knob.style.top] = at.split(" ");
    }
    if (!get("each").open) return;
    for (const range of document.querySelectorAll("#each-lever input")) {
      if (document.activeElement !== range) range.value = 100 * this.lever(Number(range.dataset.lever));
      range.nextElementSibling.value = `${Math.round(100 * this.lever(Number(range.dataset.lever)))} %`;
    }
  }

  listenToKeys() {
    const free = () => [document.body, get("deck")].includes(document.activeElement);
    addEventListener("keydown", (event) => {
      if (this.pads.listening || event.ctrlKey || event.metaKey || event.altKey) return;
      // The stop key works wherever the focus is.
      const isStop = event.code === this.pads.map.switches.stop?.key;
      if (!isStop && (!free() || !this.known(event.code))) return;
      event.preventDefault();
      this.keys.add(event.code);
      this.go();
    });
    addEventListener("keyup", (event) => {
      this.keys.delete(event.code);
      this.go();
    });
    document.addEventListener("focusin", () => free() || this.keys.clear());
  }

  known(code) {
    const { levers, switches } = this.pads.map;
    return Object.values(switches).some(({ key }) => key === code) || Object.values(levers).some(({ keys }) => keys?.includes(code));
  }

  listenToSwitches() {
    const press = () => {
      const pressed = get("stop").getAttribute("aria-pressed") === "true";
      this.say({ kind: "stop", pressed: !pressed });
    };
    get("stop").onclick = press;
    get("rail-stop").onclick = press;
    get("let-go").onclick = () => this.letGo();
    for (const [name, ids] of [["enable", ["enable", "rail-enable"]], ["reset", ["reset"]]]) {
      for (const id of ids) {
        const button = get(id);
        const sticky = () => name === "enable" && get("sticky").checked;
        const set = (down) => {
          this.held[name] = down;
          this.go();
        };
        button.onpointerdown = (event) => {
          button.setPointerCapture(event.pointerId);
          set(sticky() ? !this.held[name] : true);
        };
        button.onpointerup = () => sticky() || set(false);
        button.onlostpointercapture = button.onpointercancel = button.onpointerup;
        button.oncontextmenu = (event) => event.preventDefault();
        button.onkeydown = (event) => {
          if (![" ", "Enter"].includes(event.key)) return;
          event.preventDefault();
          if (!event.repeat) set(sticky() ? !this.held[name] : true);
        };
        button.onkeyup = () => sticky() || set(false);
        button.onblur = () => set(false);
      }
    }
    for (const id of ["mode", "frame", "slow"]) get(id).onchange = () => this.go();
    get("sticky").onchange = () => this.letGo();
    get("pad-dead").oninput = (event) => {
      this.pads.dead = Number(event.target.value);
      get("pad-dead-told").value = this.pads.dead;
      this.pads.keep();
    };
    get("key-share").oninput = (event) => {
      this.keyShare = Number(event.target.value) / 100;
      get("key-share-told").value = `${event.target.value} %`;
    };
    get("pad-without").onclick = () => this.pads.without();
    get("map-back").onclick = () => {
      this.pads.map = this.pads.first();
      this.pads.keep();
      this.drawMap();
    };
  }

  // A gate for forward and left, a slot each for up and pitch, of each arm.
  drawSticks() {
    for (const stick of document.querySelectorAll(".stick")) {
      const arm = this.machine.arms[stick.dataset.arm];
      stick.hidden = !arm;
      if (!arm) continue;
      const [forward, left, up, pitch] = arm.levers;
      const keys = (lever) => (this.pads.map.levers[lever]?.keys ?? []).map(keyName).reverse().join(" ");
      const slot = (lever, name, sign) => lever === undefined ? "" :
        `<div class="slot" data-y="${lever}" title="${name}"><span class="knob" data-x="" data-y="${lever}">${sign}</span></div>`;
      stick.innerHTML = `<h3></h3>${slot(up, "up and down", "↕")}<div class="gate" data-x="${left}" data-y="${forward}" title="forward and left">
        <span class="knob" data-x="${left}" data-y="${forward}">✥</span></div>${slot(pitch, "pitch", "↻")}<p class="hint"></p>`;
      stick.querySelector("h3").textContent = arm.name;
      stick.querySelector(".hint").textContent = `up, down ${keys(up)} · forward, back ${keys(forward)} · left, right ${keys(left)} · pitch ${keys(pitch)}`;
      for (const gate of stick.querySelectorAll(".gate, .slot")) this.listenToGate(gate);
    }
  }

  listenToGate(gate) {
    const { x, y } = gate.dataset;
    const put = (across, along) => {
      if (x !== undefined) this.touched[x] = across;
      this.touched[y] = along;
      this.go();
      this.show();
    };
    gate.onpointerdown = (event) => {
      gate.setPointerCapture(event.pointerId);
      gate.onpointermove(event);
    };
    gate.onpointermove = (event) => {
      if (!gate.hasPointerCapture(event.pointerId)) return;
      const room = gate.getBoundingClientRect();
      const share = (value, least, size) => turned((0.5 - (value - least) / size) / 0.4);
      put(share(event.clientX, room.left, room.width), share(event.clientY, room.top, room.height));
    };
    gate.onlostpointercapture = () => put(0, 0);
  }

  leverName(number) {
    const axis = this.machine.axes.find((axis) => axis.lever === number);
    const arm = this.machine.arms.find((arm) => arm.levers.includes(number));
    const way = arm ? `${arm.name} ${WAYS[arm.levers.indexOf(number)]}` : "";
    return [axis?.name, way].filter(Boolean).join(" / ");
  }

  drawEach() {
    const numbers = Object.keys(this.pads.map.levers).map(Number).sort((a, b) => a - b);
    get("each-lever").replaceChildren(...numbers.map((number) => {
      const label = document.createElement("label");
      label.innerHTML = `<span></span><input type="range" min="-100" max="100" step="5" value="0" data-lever="${number}"><output>0 %</output>`;
      label.firstChild.textContent = this.leverName(number);
      const range = label.children[1];
      range.oninput = () => {
        this.touched[number] = Number(range.value) / 100;
        this.go();
      };
      const back = () => {
        this.touched[number] = 0;
        range.value = 0;
        this.go();
      };
      // It springs back when it is let go of.
      range.onpointerup = range.onblur = range.onkeyup = back;
      return label;
    }));
  }

  drawMap() {
    const row = (name, from, key, kind, id) => {
      const row = document.createElement("tr");
      row.innerHTML = "<td></td><td></td><td></td><td><button type=button>Learn</button></td>";
      [name, sourceName(from), key].forEach((text, column) => { row.children[column].textContent = text; });
      const learn = row.querySelector("button");
      learn.setAttribute("aria-label", `learn what moves ${name}`);
      learn.onclick = () => {
        learn.textContent = kind === "lever" ? "Move it, or press two…" : "Press it…";
        this.pads.begins(kind, id, () => this.drawMap());
      };
      return row;
    };
    const { levers, switches } = this.pads.map;
    get("map").tBodies[0].replaceChildren(
      ...Object.entries(switches).map(([name, { from, key }]) => row(switchName(name), from, keyName(key), "switch", name)),
      ...Object.entries(levers).map(([number, { from, keys }]) =>
        row(this.leverName(Number(number)), from, (keys ?? []).map(keyName).join(" / "), "lever", number)));
  }

  tellPads(pads) {
    const told = pads.length ? `Gamepad: ${pads.map((pad) => pad.id || "without a name").join(" and ")}` :
      "No gamepad. Press one of its buttons while this page has the focus.";
    if (get("pads-told").textContent !== told) get("pads-told").textContent = told;
    get("pad-gone").hidden = !this.pads.missing;
    if (this.pads.missing) get("hands").open = true;
  }
}
