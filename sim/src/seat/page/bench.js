// What can be done to the machine beside driving it: faults, loads, figures, recordings.

const get = (id) => document.getElementById(id);

export class Bench {
  constructor(say, tell) {
    this.say = (said) => say(said) || tell(false, "not connected");
    this.changes = new Map();
    get("fault-entry").onchange = () => this.drawEntry();
    get("fault-amount").oninput = () => { get("fault-amount-told").value = get("fault-amount").value; };
    get("fault-form").onsubmit = (event) => {
      event.preventDefault();
      this.say({ kind: "fault", entry: this.entry().name, axis: Number(get("fault-axis").value || 0), amount: Number(get("fault-amount").value) });
    };
    get("load-form").onsubmit = (event) => {
      event.preventDefault();
      this.say({ kind: "load", arm: Number(get("load-arm").value), mass: Number(get("load-mass").value) });
    };
    get("figure-of").onchange = () => this.drawFigures();
    get("figure-form").onsubmit = (event) => event.preventDefault();
    get("figure-try").onclick = () => this.changes.size ? this.say({ kind: "tune", changes: [...this.changes] }) : tell(false, "no figure is changed");
    get("figure-back").onclick = () => {
      this.changes.clear();
      this.drawFigures();
    };
    get("write-new").onclick = () => this.say({ kind: "write", given: false });
    get("write-consent").onchange = (event) => { get("write-given").disabled = !event.target.checked; };
    get("write-given").onclick = () => {
      this.say({ kind: "write", given: true });
      get("write-consent").checked = false;
      get("write-given").disabled = true;
    };
    get("save").onclick = () => this.say({ kind: "save" });
    get("replay").onclick = () => this.say({ kind: "replay" });
    get("anew-start").onclick = () => this.say({ kind: "anew", here: false, remote: get("anew-remote").checked });
    get("anew-here").onclick = () => this.say({ kind: "anew", here: true, remote: get("anew-remote").checked });
  }

  begin(machine) {
    this.machine = machine;
    this.changes.clear();
    const parts = [...new Set(machine.catalogue.map(({ part }) => part))];
    const [entry, axis] = [get("fault-entry").value, get("fault-axis").value];
    get("fault-entry").replaceChildren(...parts.map((part) => {
      const group = document.createElement("optgroup");
      group.label = part;
      group.append(...machine.catalogue.filter((entry) => entry.part === part).map(({ name }) => new Option(name)));
      return group;
    }));
    if (entry) get("fault-entry").value = entry;
    this.drawEntry();
    if (axis) get("fault-axis").value = axis;
    get("load-arm").replaceChildren(...machine.arms.map(({ name }, number) => new Option(name, number)));
    const groups = [...new Set(machine.figures.map(({ of }) => of))];
    const chosen = get("figure-of").value;
    get("figure-of").replaceChildren(...groups.map((of) => new Option(of)));
    if (groups.includes(chosen)) get("figure-of").value = chosen;
    this.drawFigures();
    get("write-given-box").hidden = !machine.given;
    get("write-name").textContent = machine.file;
    get("anew-remote").disabled = !machine.remote;
    get("anew-remote").checked = machine.station === "remote";
  }

  entry() {
    return this.machine.catalogue.find(({ name }) => name === get("fault-entry").value);
  }

  drawEntry() {
    const entry = this.entry();
    if (!entry) return;
    get("fault-about").textContent = entry.about;
    get("fault-axis-label").hidden = entry.axes === null;
    const axis = get("fault-axis").value;
    get("fault-axis").replaceChildren(...(entry.axes ?? []).map((number) => new Option(this.machine.axes[number].name, number)));
    if (axis !== "" && entry.axes?.includes(Number(axis))) get("fault-axis").value = axis;
    get("fault-amount-label").hidden = entry.amount === "";
    get("fault-amount-label").title = entry.amount;
    get("fault-about").textContent = entry.amount ? `${entry.about}: ${entry.amount}` : entry.about;
    get("fault-amount").value = entry.mildest;
    get("fault-amount-told").value = entry.mildest;
  }

  drawFigures() {
    const of = get("figure-of").value;
    get("figure-form").replaceChildren(...this.machine.figures.filter((figure) => figure.of === of).map((figure) => {
      const label = document.createElement("label");
      label.innerHTML = "<span></span><input type=number step=any>";
      label.firstChild.textContent = figure.what;
      const input = label.lastChild;
      input.name = figure.key;
      [input.min, input.max] = [figure.least, figure.most];
      input.value = this.changes.get(figure.key) ?? figure.value;
      input.classList.toggle("changed", this.changes.has(figure.key));
      input.oninput = () => {
        const value = Number(input.value);
        const same = input.value === "" || !Number.isFinite(value) || value === figure.value;
        if (same) this.changes.delete(figure.key);
        else this.changes.set(figure.key, value);
        input.classList.toggle("changed", !same);
        this.drawCurve();
      };
      return label;
    }));
    this.drawCurve();
  }

  // Rate over command: nothing within the deadband, through the measured points, to the full rate.
  drawCurve() {
    const of = get("figure-of").value;
    const axis = this.machine.axes.find(({ name }) => name === of);
    get("curve-figure").hidden = !axis;
    if (!axis) return;
    const path = (deadband) => {
      const points = [];
      for (const [side, sign] of [[1, -1], [0, 1]]) {
        const way = [[deadband[side], 0], ...axis.curve[side].filter(([command]) => command > deadband[side])];
        if (way.at(-1)[1] < 1) way.push([1, 1]);
        const placed = way.map(([command, rate]) => `${(sign * command).toFixed(4)},${(-sign * rate).toFixed(4)}`);
        points.push(...(sign < 0 ? placed.reverse() : placed));
      }
      return `M${points.join("L")}`;
    };
    const tried = axis.deadband.map((is, side) => this.changes.get(`axis/${of}/drive/deadband/${side}`) ?? is);
    const changed = tried.some((value, side) => value !== axis.deadband[side]);
    get("curve").innerHTML = `<path class="axis" d="M-1.1,0H1.1M0,-1.1V1.1"/><path class="now" d="${path(axis.deadband)}"/>${
      changed ? `<path class="tried" d="${path(tried)}"/>` : ""}`;
  }
}
