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
    const points = [[0, 0, -100], ...this.zones(moment).flatMap(({ hull }) => hull ?? [])];
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
    for (const zone of this.zones(moment)) {
      if (zone.hull) this.body(pen, zone, place);
      else this.behind(pen, zone, across, along, place, width, height);
    }
    this.arms(pen, moment, place);
    this.names(pen, place, moment);
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

  // Every zone where it is: those that links carry are where the moment has them.
  zones(moment) {
    let carried = 0;
    return this.machine.zones.map(({ name, outline }) => ({ name, ...(outline ?? moment.carried[carried++]) }));
  }

  // A zone is hatched inside its border, which is rounded by its radius.
  body(pen, { hull, radius }, place) {
    const points = around(hull.map(place));
    const round = radius * points[0].scale;
    const path = new Path2D();
    // Along each side, a radius outside of it, and round each corner to the next. In a picture, where y goes down, these points go round clockwise.
    const out = (from, to) => Math.atan2(from.x - to.x, to.y - from.y);
    points.forEach((corner, number) => {
      const [before, after] = [points.at(number - 1), points[(number + 1) % points.length]];
      const whole = points.length === 1;
      path.arc(corner.x, corner.y, round, whole ? 0 : out(before, corner), whole ? 2 * Math.PI : out(corner, after));
    });
    path.closePath();
    this.hatch(pen, path);
    pen.strokeStyle = this.paint.zone;
    pen.lineWidth = 1.5;
    pen.stroke(path);
  }

  // Behind a plane: hatched from the line in which it cuts the picture, at the middle of the room.
  behind(pen, { point, outward }, across, along, place, width, height) {
    const [u, v] = [outward[across], -outward[along]];
    if (Math.hypot(u, v) < 0.1) return;
    const through = 3 - across - along;
    const middle = (this.room[0][through] + this.room[1][through]) / 2;
    const flat = outward[across] ** 2 + outward[along] ** 2;
    const shift = (outward[through] * (point[through] - middle)) / flat;
    const at = place(point.map((x, k) => (k === through ? middle : x + shift * outward[k])));
    const length = Math.hypot(u, v);
    const [nx, ny, far] = [u / length, v / length, 2 * (width + height)];
    const [a, b] = [-1, 1].map((end) => ({ x: at.x - end * far * ny, y: at.y + end * far * nx }));
    const path = new Path2D();
    for (const p of [a, b, { x: b.x - far * nx, y: b.y - far * ny }, { x: a.x - far * nx, y: a.y - far * ny }]) path.lineTo(p.x, p.y);
    path.closePath();
    this.hatch(pen, path);
    this.stroke(pen, [a, b], this.paint.zone, 1.5);
  }

  hatch(pen, path) {
    const { canvas } = pen;
    const [width, height] = [canvas.clientWidth, canvas.clientHeight];
    pen.save();
    pen.clip(path);
    pen.beginPath();
    for (let step = -height; step < width; step += 9) {
      pen.moveTo(step, height);
      pen.lineTo(step + height, 0);
    }
    pen.strokeStyle = this.paint.zone;
    pen.globalAlpha = 0.35;
    pen.lineWidth = 1;
    pen.stroke();
    pen.restore();
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

  names(pen, place, moment) {
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
    for (const { name, hull } of this.zones(moment)) {
      if (hull) put(name, place([0, 1, 2].map((k) => hull.reduce((sum, p) => sum + p[k], 0) / hull.length)));
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
    for (const { hull, radius, point, outward, name } of this.zones(moment)) {
      if (name === "seat") continue;
      for (const [p, q] of hull ? edges(hull) : frame(point, outward)) {
        const drawn = line(p, q);
        if (!drawn) continue;
        this.stroke(pen, drawn, this.paint.zone, 1.25);
        if (!radius) continue;
        pen.globalAlpha = 0.2;
        this.stroke(pen, drawn, this.paint.zone, radius * (drawn[0].scale + drawn[1].scale));
        pen.globalAlpha = 1;
      }
    }
    this.arms(pen, moment, place);
  }
}

// The edges of a box with its corners in order, or the one line between two points.
function edges(hull) {
  const all = [];
  for (let from = 0; from < hull.length; from += 1) for (const k of [1, 2, 4]) if (!(from & k) && hull[from | k]) all.push([hull[from], hull[from | k]]);
  return all;
}

// A plane as a square of 3 m around its point. One that lies as the ground does is the ground, which is drawn.
function frame(point, outward) {
  if (outward[2] > 0.99 && Math.abs(point[2]) < 50) return [];
  const side = Math.abs(outward[2]) > 0.9 ? [1, 0, 0] : [0, 0, 1];
  const first = unit(cross(outward, side));
  const second = cross(outward, first);
  const corners = [[-1, -1], [1, -1], [1, 1], [-1, 1]].map(([a, b]) => plus(plus(point, first, 1500 * a), second, 1500 * b));
  return corners.map((corner, number) => [corner, corners[(number + 1) % 4]]);
}

const cross = ([a, b, c], [x, y, z]) => [b * z - c * y, c * x - a * z, a * y - b * x];
const unit = (v) => v.map((x) => x / Math.hypot(...v));

// The corners of the least convex outline of points of a picture, in order (monotone chain; Andrew, Information Processing Letters 9, 1979).
function around(points) {
  const sorted = [...points].sort((p, q) => p.x - q.x || p.y - q.y);
  const half = (all) => {
    const chain = [];
    for (const p of all) {
      while (chain.length > 1 && turn(chain.at(-2), chain.at(-1), p) <= 1e-6) chain.pop();
      chain.push(p);
    }
    return chain.slice(0, -1);
  };
  const hull = [...half(sorted), ...half(sorted.reverse())];
  return hull.length ? hull : sorted.slice(0, 1);
}

const turn = (a, b, c) => (b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x);
