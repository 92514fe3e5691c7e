// The machine from the right, from above and from the seat.

const TRAIL_S = 8;
const AHEAD_S = 0.5;
const NEAR = 150;

export function colours() {
  const style = getComputedStyle(document.documentElement);
  const of = (name) => style.getPropertyValue(`--${name}`).trim();
  return { ink: of("ink"), soft: of("soft"), rule: of("rule"), card: of("card"), zone: of("zone"), earth: of("earth"), fault: of("fault"), lines: [of("line-0"), of("line-1")] };
}

// A canvas as sharp as the screen is, and its size in the page's pixels.
export function sheet(canvas, paper) {
  const ratio = devicePixelRatio || 1;
  const [width, height] = [canvas.clientWidth, canvas.clientHeight];
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  const pen = canvas.getContext("2d", { alpha: false });
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.fillStyle = paper;
  pen.fillRect(0, 0, width, height);
  return { pen, width, height };
}

const plus = (a, b, share = 1) => a.map((x, k) => x + share * b[k]);

export class Views {
  constructor() {
    this.trails = [];
    this.paint = colours();
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { this.paint = colours(); });
  }

  begin(machine) {
    this.machine = machine;
    this.trails = machine.arms.map(() => []);
    this.room = null;
  }

  // The room that zones and arms have taken so far; it grows and never shrinks.
  grow(moment) {
    const points = [[0, 0, -100], ...this.machine.zones.flatMap(({ corners }) => corners ?? [])];
    for (const arm of moment.arms) for (const part of arm.parts) points.push(part.slice(0, 3), part.slice(3));
    const [least, most] = this.room ?? [[1e9, 1e9, 1e9], [-1e9, -1e9, -1e9]];
    const grown = [least.map((x, k) => Math.min(x, ...points.map((p) => p[k] - NEAR))), most.map((x, k) => Math.max(x, ...points.map((p) => p[k] + NEAR)))];
    if (!this.room || grown.flat().some((x, k) => x !== this.room.flat()[k])) this.room = grown;
  }

  keep(moment) {
    moment.arms.forEach((arm, number) => {
      const trail = this.trails[number];
      const last = trail.at(-1);
      if (last && moment.t < last.t) trail.length = 0;
      if (!last || Math.hypot(...plus(arm.tip, last.tip, -1)) > 8) trail.push({ t: moment.t, tip: arm.tip });
      while (trail.length && trail[0].t < moment.t - TRAIL_S) trail.shift();
    });
  }

  // The ways of the tips as they were up to a moment of a film.
  retrace(moments) {
    for (const trail of this.trails) trail.length = 0;
    moments.forEach((moment) => this.keep(moment));
  }

  draw(moment) {
    this.grow(moment);
    this.keep(moment);
    this.flat("side", moment, 0, 2, 1);
    this.flat("above", moment, 0, 1, 2);
    this.fromSeat(moment);
  }

  flat(id, moment, across, along) {
    const { pen, width, height } = sheet(document.getElementById(id), this.paint.card);
    const [least, most] = this.room;
    const scale = Math.min((width - 16) / (most[across] - least[across]), (height - 40) / (most[along] - least[along]));
    const [midX, midY] = [across, along].map((k) => (least[k] + most[k]) / 2);
    const place = (p) => ({ x: width / 2 + scale * (p[across] - midX), y: (height - 24) / 2 - scale * (p[along] - midY), scale });
    if (along === 2) this.ground(pen, place, width, height);
    for (const zone of this.machine.zones) if (zone.corners) this.box(pen, zone, across, along, place);
    this.arms(pen, moment, place);
    this.names(pen, place, across, along, moment);
    this.bar(pen, scale, width, height);
  }

  ground(pen, place, width, height) {
    const { y } = place([0, 0, 0]);
    pen.fillStyle = this.paint.earth;
    pen.globalAlpha = 0.3;
    pen.fillRect(0, y, width, Math.max(0, height - y));
    pen.globalAlpha = 1;
    this.stroke(pen, [{ x: 0, y }, { x: width, y }], this.paint.earth, 2);
  }

  // A zone is hatched inside its border.
  box(pen, zone, across, along, place) {
    const [a, b] = zone.corners.map(place);
    const [x, y, w, h] = [a.x, b.y, b.x - a.x, a.y - b.y];
    pen.save();
    pen.beginPath();
    pen.rect(x, y, w, h);
    pen.clip();
    pen.beginPath();
    for (let step = -h; step < w; step += 9) {
      pen.moveTo(x + step, y + h);
      pen.lineTo(x + step + h, y);
    }
    pen.strokeStyle = this.paint.zone;
    pen.globalAlpha = 0.35;
    pen.lineWidth = 1;
    pen.stroke();
    pen.restore();
    pen.strokeStyle = this.paint.zone;
    pen.lineWidth = 1.5;
    pen.strokeRect(x, y, w, h);
  }

  stroke(pen, points, colour, width, dash = []) {
    pen.beginPath();
    points.forEach(({ x, y }, number) => (number ? pen.lineTo(x, y) : pen.moveTo(x, y)));
    pen.strokeStyle = colour;
    pen.lineWidth = width;
    pen.lineCap = "round";
    pen.lineJoin = "round";
    pen.setLineDash(dash);
    pen.stroke();
    pen.setLineDash([]);
  }

  // Each part as the capsule that the guard knows: a body in the arm's colour, a core line; the second arm's is dashed.
  arms(pen, moment, place) {
    moment.arms.forEach((arm, number) => {
      const ink = this.paint.lines[number % 2];
      const known = this.machine.arms[number].parts;
      const ends = arm.parts.map((part) => [place(part.slice(0, 3)), place(part.slice(3))]);
      pen.globalAlpha = 0.28;
      ends.forEach((line, part) => line.every(Boolean) && this.stroke(pen, line, ink, 2 * known[part][1] * (line[0].scale + line[1].scale) / 2));
      pen.globalAlpha = 1;
      ends.forEach((line, part) => {
        if (!line.every(Boolean)) return;
        const held = moment.axes[known[part][0]].held !== null;
        this.stroke(pen, line, held ? this.paint.fault : ink, held ? 3.5 : 2.5, number % 2 ? [9, 5] : []);
      });
      const trail = this.trails[number].map(({ tip }) => place(tip)).filter(Boolean);
      if (trail.length > 1) this.stroke(pen, trail, ink, 1.25);
      this.speed(pen, arm, place, ink);
    });
  }

  // Where the tip gets to in half a second: a ring for what it may go, an arrow for what it goes.
  speed(pen, arm, place, ink) {
    const tip = place(arm.tip);
    if (!tip) return;
    pen.beginPath();
    pen.arc(tip.x, tip.y, Math.max(3, AHEAD_S * arm.permitted * tip.scale), 0, 7);
    pen.strokeStyle = this.paint.soft;
    pen.setLineDash([2, 4]);
    pen.lineWidth = 1;
    pen.stroke();
    pen.setLineDash([]);
    const to = place(plus(arm.tip, arm.velocity, AHEAD_S));
    if (to) this.stroke(pen, [tip, to], this.paint.ink, 2.5);
    pen.beginPath();
    pen.arc(tip.x, tip.y, 4.5, 0, 7);
    pen.fillStyle = this.paint.card;
    pen.fill();
    pen.strokeStyle = ink;
    pen.lineWidth = 2.5;
    pen.stroke();
  }

  word(pen, text, x, y, align = "center") {
    pen.font = '12px system-ui, "DejaVu Sans", sans-serif';
    pen.textAlign = align;
    pen.lineWidth = 4;
    pen.strokeStyle = this.paint.card;
    pen.strokeText(text, x, y);
    pen.fillStyle = this.paint.ink;
    pen.fillText(text, x, y);
  }

  names(pen, place, across, along, moment) {
    const placed = [];
    const put = (text, { x, y }) => {
      if (placed.some((other) => Math.abs(other.x - x) < 4 * (other.text.length + text.length) && Math.abs(other.y - y) < 14)) return;
      placed.push({ text, x, y });
      this.word(pen, text, x, y);
    };
    moment.arms.forEach((arm, number) => {
      const at = place(arm.tip);
      put(this.machine.arms[number].name, { x: at.x, y: at.y + (number % 2 ? 22 : -14) });
    });
    for (const { name, corners } of this.machine.zones) {
      if (corners) put(name, place(corners[0].map((x, k) => (x + corners[1][k]) / 2)));
    }
  }

  bar(pen, scale, width, height) {
    const length = [100, 200, 500, 1000, 2000].find((length) => length * scale > 40) ?? 5000;
    const [end, y] = [width - 10, height - 8];
    this.stroke(pen, [{ x: end - length * scale, y }, { x: end, y }], this.paint.ink, 2);
    this.word(pen, length < 1000 ? `${length} mm` : `${length / 1000} m`, end - length * scale - 6, y + 4, "right");
  }

  // As somebody sees it who sits there, looks where the seat looks and a little down.
  fromSeat(moment) {
    const { pen, width, height } = sheet(document.getElementById("eye"), this.paint.card);
    const { eye, yaw } = this.machine;
    const [cy, sy, cp, sp] = [Math.cos(yaw), Math.sin(yaw), Math.cos(0.35), Math.sin(0.35)];
    const focus = 0.55 * Math.min(width, 1.2 * height);
    const seen = (p) => {
      const [x, y, z] = plus(p, eye, -1);
      const [forward, left] = [cy * x + sy * y, cy * y - sy * x];
      return { depth: cp * forward - sp * z, left, up: sp * forward + cp * z };
    };
    const put = ({ depth, left, up }) => ({ x: width / 2 - (focus * left) / depth, y: 0.42 * height - (focus * up) / depth, scale: focus / depth });
    const place = (p) => {
      const at = seen(p);
      return at.depth > NEAR ? put(at) : null;
    };
    // A line is cut where it comes too near.
    const line = (p, q) => {
      let [a, b] = [seen(p), seen(q)];
      if (a.depth < NEAR && b.depth < NEAR) return null;
      const cut = (from, to) => {
        const share = (NEAR - from.depth) / (to.depth - from.depth);
        return { depth: NEAR, left: from.left + share * (to.left - from.left), up: from.up + share * (to.up - from.up) };
      };
      if (a.depth < NEAR) a = cut(a, b);
      if (b.depth < NEAR) b = cut(b, a);
      return [put(a), put(b)];
    };
    for (let step = -3000; step <= 3000; step += 500) {
      for (const ends of [[[step + 3000, -3000, 0], [step + 3000, 3000, 0]], [[0, step, 0], [6000, step, 0]]]) {
        const drawn = line(...ends);
        if (drawn) this.stroke(pen, drawn, this.paint.earth, 0.75);
      }
    }
    for (const { corners, name } of this.machine.zones) {
      if (!corners || name === "seat") continue;
      for (const [p, q] of edges(corners)) {
        const drawn = line(p, q);
        if (drawn) this.stroke(pen, drawn, this.paint.zone, 1.25);
      }
    }
    this.arms(pen, moment, place);
  }
}

function edges([a, b]) {
  const corner = (bits) => [0, 1, 2].map((k) => (bits & (1 << k) ? b[k] : a[k]));
  const all = [];
  for (let bits = 0; bits < 8; bits += 1) for (const k of [1, 2, 4]) if (!(bits & k)) all.push([corner(bits), corner(bits | k)]);
  return all;
}
