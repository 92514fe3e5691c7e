// Ten seconds of one axis: command and opening, rate, pressures, clearance.

import { colours, sheet } from "./views.js";

export const WINDOW_S = 10;
// Angle, stroke, rate, asked, command, opening, spool, signal, A, B: places in what a moment tells of an axis.
const STRIPS = [
  { name: "command and opening", lines: [["command", 4], ["opening", 5], ["spool", 6]], least: [-1, 1] },
  { name: "rate", lines: [["asked", 3], ["is", 2]], least: [-20, 20] },
  { name: "pressure, bar", lines: [["A", 8], ["B", 9]], least: [0, 50] },
  { name: "clear of zones, mm", lines: [["clear", null]], least: [0, 300] },
];
const DASHES = [[], [7, 4], [2, 4]];

export class Strips {
  constructor() {
    this.kept = [];
    this.paint = colours();
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { this.paint = colours(); });
  }

  begin(machine) {
    this.machine = machine;
    this.kept = [];
    const choose = document.getElementById("strip-axis");
    const chosen = choose.selectedIndex;
    choose.replaceChildren(...machine.axes.map(({ name }, number) => new Option(name, number)));
    choose.selectedIndex = chosen >= 0 && chosen < machine.axes.length ? chosen : Math.min(1, machine.axes.length - 1);
  }

  keep(moment) {
    if (this.kept.length && moment.t < this.kept.at(-1).t) this.kept = [];
    if (moment.t !== this.kept.at(-1)?.t) this.kept.push(moment);
    while (this.kept.length && this.kept[0].t < moment.t - WINDOW_S) this.kept.shift();
  }

  draw() {
    const axis = Number(document.getElementById("strip-axis").value);
    const now = this.kept.at(-1);
    if (!now) return;
    const { pen, width, height } = sheet(document.getElementById("strip"), this.paint.card);
    const arm = this.machine.arms.findIndex(({ parts }) => parts.some(([of]) => of === axis));
    const read = (moment, place) => (place === null ? moment.arms[arm]?.clearance ?? null : moment.axes[axis].v[place]);
    // On a narrow screen the key has a line of its own.
    const narrow = width < 480;
    const [head, foot, side] = [narrow ? 34 : 18, 4, 46];
    const each = (height - 16) / STRIPS.length;
    const across = (t) => side + (width - side - 8) * (1 - (now.t - t) / WINDOW_S);
    pen.font = '12px system-ui, "DejaVu Sans", sans-serif';
    STRIPS.forEach((strip, row) => {
      let [least, most] = strip.least;
      for (const [, place] of strip.lines) {
        for (const moment of this.kept) {
          const value = read(moment, place);
          if (value === null) continue;
          if (value < least) least = value;
          if (value > most) most = value;
        }
      }
      const [top, bottom] = [row * each + head, (row + 1) * each - foot];
      const along = (value) => bottom - ((value - least) / (most - least)) * (bottom - top);
      pen.strokeStyle = this.paint.rule;
      pen.lineWidth = 1;
      for (const level of [least, 0, most]) {
        if (level < least || level > most) continue;
        pen.beginPath();
        pen.moveTo(side, along(level));
        pen.lineTo(width - 8, along(level));
        pen.stroke();
        pen.fillStyle = this.paint.soft;
        pen.textAlign = "right";
        if (level !== 0 || Math.min(along(least) - along(0), along(0) - along(most)) > 12 || least === 0) {
          pen.fillText(Math.abs(level) < 10 ? level.toFixed(1) : level.toFixed(0), side - 5, along(level) + 4);
        }
      }
      pen.textAlign = "left";
      pen.fillStyle = this.paint.ink;
      const unit = row === 1 ? `, ${this.machine.axes[axis].unit}/s` : "";
      pen.fillText(`${strip.name}${unit}`, side, row * each + 12);
      let key = narrow ? side : side + pen.measureText(`${strip.name}${unit}`).width + 18;
      const line = row * each + (narrow ? 28 : 12);
      strip.lines.forEach(([name, place], number) => {
        pen.strokeStyle = [this.paint.lines[0], this.paint.lines[1], this.paint.ink][number];
        pen.lineWidth = 2;
        pen.setLineDash(DASHES[number]);
        pen.beginPath();
        pen.moveTo(key, line - 4);
        pen.lineTo(key + 18, line - 4);
        pen.stroke();
        const value = read(now, place);
        // The figures stand in the table, too.
        const told = narrow ? name : `${name} ${value === null ? "–" : value}`;
        pen.fillText(told, key + 22, line);
        key += 22 + Math.max(pen.measureText(told).width, narrow ? 55 : 90) + 8;
        pen.beginPath();
        for (const moment of this.kept) {
          const at = read(moment, place);
          if (at !== null) pen.lineTo(across(moment.t), along(at));
        }
        pen.stroke();
        pen.setLineDash([]);
      });
    });
    pen.fillStyle = this.paint.soft;
    pen.textAlign = "right";
    pen.fillText("now", width - 8, height - 4);
    pen.textAlign = "left";
    pen.fillText(`${WINDOW_S} s ago`, side, height - 4);
  }
}
