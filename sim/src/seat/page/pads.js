// Gamepads and keys: which axis, button or key moves which lever, kept in this browser.

const KEYS = [
  { forward: ["KeyS", "KeyW"], left: ["KeyD", "KeyA"], up: ["KeyF", "KeyR"], pitch: ["KeyQ", "KeyE"] },
  { forward: ["KeyK", "KeyI"], left: ["KeyL", "KeyJ"], up: ["KeyH", "KeyY"], pitch: ["KeyU", "KeyO"] },
];
// Levers that move no tip: grips, for the most part.
const OTHER_KEYS = [["KeyX", "KeyZ"], ["KeyN", "KeyM"]];
export const WAYS = ["forward", "left", "up", "pitch", "roll", "yaw"];

// One pad: a stick for each arm. Two levers: one for each arm.
const ONE_PAD = [
  { forward: { pad: 0, axis: 1, sign: -1 }, left: { pad: 0, axis: 0, sign: -1 }, up: { pad: 0, minus: 13, plus: 12 }, pitch: { pad: 0, minus: 14, plus: 15 } },
  { forward: { pad: 0, axis: 3, sign: -1 }, left: { pad: 0, axis: 2, sign: -1 }, up: { pad: 0, minus: 0, plus: 3 }, pitch: { pad: 0, minus: 5, plus: 7 } },
];
const TWO_PADS = [0, 1].map((pad) => ({
  forward: { pad, axis: 1, sign: -1 }, left: { pad, axis: 0, sign: -1 }, up: { pad, minus: 13, plus: 12 }, pitch: { pad, axis: 2, sign: 1 },
}));
const SWITCHES = {
  enable: { name: "enabling switch", from: { pad: 0, button: 4 }, key: "Space" },
  stop: { name: "stop button", from: { pad: 0, button: 1 }, key: "Escape" },
  reset: { name: "reset button", from: { pad: 0, button: 9 }, key: "Backspace" },
};

export class Pads {
  constructor() {
    this.map = { levers: {}, switches: {} };
    this.dead = 0.08;
    this.present = [];
    this.missing = false;
    this.used = false;
    this.listening = null;
  }

  // The map for a machine: as it was kept, or as it is at first.
  begin(machine) {
    this.machine = machine;
    this.place = `bellcrank seat: ${machine.machine}`;
    let kept = null;
    try { kept = JSON.parse(localStorage.getItem(this.place)); } catch { kept = null; }
    this.map = kept?.levers && kept?.switches ? kept : this.first();
    this.dead = typeof kept?.dead === "number" ? kept.dead : 0.08;
  }

  first() {
    const levers = {};
    const pads = this.present.length > 1 ? TWO_PADS : ONE_PAD;
    this.machine.arms.forEach((arm, number) => arm.levers.forEach((lever, way) => {
      levers[lever] = { from: pads[number]?.[WAYS[way]] ?? null, keys: KEYS[number]?.[WAYS[way]] ?? null };
    }));
    const others = this.machine.axes.map(({ lever }) => lever).filter((lever) => lever !== null && !levers[lever]);
    others.forEach((lever, number) => { levers[lever] = { from: null, keys: OTHER_KEYS[number] ?? null }; });
    const switches = {};
    for (const [name, first] of Object.entries(SWITCHES)) switches[name] = { from: first.from, key: first.key };
    return { levers, switches, dead: this.dead };
  }

  keep() {
    this.map.dead = this.dead;
    try { localStorage.setItem(this.place, JSON.stringify(this.map)); } catch { /* It is then as it was at first the next time. */ }
  }

  // Looks at the pads. One that had the levers and is gone is a lost link, until somebody says to go on without it.
  look() {
    const all = navigator.getGamepads ? [...navigator.getGamepads()] : [];
    const before = this.present.length;
    this.present = all.filter((pad) => pad && pad.connected !== false);
    if (this.used && this.present.length < before) this.missing = true;
    if (this.missing && this.present.length >= this.needed) this.missing = false;
    this.needed = Math.max(this.needed ?? 0, this.present.length);
    if (this.listening) this.listen();
    return this.present;
  }

  without() {
    this.missing = false;
    this.used = false;
    this.needed = this.present.length;
  }

  shaped(value) {
    const beyond = Math.abs(value) - this.dead;
    return beyond <= 0 ? 0 : Math.sign(value) * Math.min(1, beyond / (1 - this.dead));
  }

  // The deflection of a lever by its pad, -1 to 1.
  lever(number) {
    const from = this.map.levers[number]?.from;
    const pad = from && this.present[from.pad];
    if (!pad) return 0;
    const value = from.axis === undefined
      ? (pad.buttons[from.plus]?.value ?? 0) - (pad.buttons[from.minus]?.value ?? 0)
      : from.sign * (pad.axes[from.axis] ?? 0);
    const share = Number.isFinite(value) ? this.shaped(value) : 0;
    if (share !== 0) this.used = true;
    return share;
  }

  pressed(name) {
    const from = this.map.switches[name]?.from;
    const down = Boolean(from && this.present[from.pad]?.buttons[from.button]?.pressed);
    if (down) this.used = true;
    return down;
  }

  // Takes the next axis that moves for a lever, or two buttons one after the other; for a switch the next button.
  begins(kind, name, done) {
    this.listening = { kind, name, done, rest: this.present.map((pad) => [...pad.axes]) };
  }

  listen() {
    const { kind, name, rest } = this.listening;
    this.present.forEach((pad, number) => {
      const button = pad.buttons.findIndex((button) => button.pressed);
      const axis = pad.axes.findIndex((value, axis) => Math.abs(value - (rest[number]?.[axis] ?? 0)) > 0.5);
      if (kind === "lever" && axis >= 0) {
        this.map.levers[name].from = { pad: number, axis, sign: Math.sign(pad.axes[axis]) || 1 };
        this.heard();
      } else if (kind === "lever" && button >= 0) {
        const { plus } = this.listening;
        if (plus === undefined) this.listening.plus = button;
        else if (plus !== button) {
          this.map.levers[name].from = { pad: number, minus: button, plus };
          this.heard();
        }
      } else if (kind === "switch" && button >= 0) {
        this.map.switches[name].from = { pad: number, button };
        this.heard();
      }
    });
  }

  heard() {
    const { done } = this.listening;
    this.listening = null;
    this.keep();
    done();
  }
}

export const switchName = (name) => SWITCHES[name].name;
export const keyName = (code) => (code ?? "").replace(/^(Key|Digit)/, "");
export function sourceName(from) {
  if (!from) return "none";
  const pad = `pad ${from.pad + 1} `;
  if (from.axis !== undefined) return `${pad}axis ${from.axis + 1}${from.sign < 0 ? " turned round" : ""}`;
  return from.button !== undefined ? `${pad}button ${from.button + 1}` : `${pad}buttons ${from.minus + 1} and ${from.plus + 1}`;
}
