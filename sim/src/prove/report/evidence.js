"use strict";
// Nothing here is needed to read the page: it filters what is there, and moves the picture of the worst run.
const data = JSON.parse(document.getElementById("data").textContent);

/* Filters: the cells are counted again from what they were counted from, the lists of runs are thinned out. */
{
  const form = document.getElementById("filters");
  form.hidden = false;
  const places = new Map();
  for (const cell of data.cells) {
    const place = `${cell.machine}.${cell.entry}.${cell.axis ?? "-"}`;
    if (!places.has(place)) places.set(place, []);
    places.get(place).push(cell);
  }

  const fill = (field, counts, slowest) => {
    const worst = counts.findLastIndex((runs) => runs > 0);
    field.className = `cell is-${worst < 0 ? "never" : data.verdicts[worst]}`;
    const inside = [document.createElement("span")];
    inside[0].className = "counts";
    if (worst < 0) {
      inside[0].textContent = "-";
    } else {
      const shares = document.createElement("span");
      shares.className = "shares";
      shares.ariaHidden = "true";
      counts.forEach((runs, verdict) => {
        if (runs === 0) return;
        const name = data.verdicts[verdict];
        const count = document.createElement("span");
        count.className = `v-${name}`;
        count.title = name;
        const said = document.createElement("span");
        said.className = "said";
        said.textContent = ` ${name} `;
        count.append(`${data.marks[verdict]}${runs}`, said);
        inside[0].append(count);
        const share = document.createElement("i");
        share.className = `f-${name}`;
        share.style.flexGrow = runs;
        shares.append(share);
      });
      const slow = document.createElement("small");
      slow.textContent = slowest === null ? "" : `${Math.round(slowest)} ms`;
      inside.push(shares, slow);
    }
    field.replaceChildren(...inside);
  };

  const untouched = new Map();
  for (const field of document.querySelectorAll("[data-cell]")) untouched.set(field, [field.className, field.innerHTML]);

  const apply = () => {
    const wanted = Object.fromEntries(new FormData(form));
    const is = (key, value) => wanted[key] === "" || wanted[key] === String(value);
    const counted = wanted.operator !== "" || wanted.verdict !== "";
    for (const section of document.querySelectorAll("section[data-machine]")) section.hidden = !is("machine", section.dataset.machine);
    for (const group of document.querySelectorAll(".matrix tbody")) {
      let some = false;
      for (const row of group.querySelectorAll("tr[data-fault]")) {
        row.hidden = !(is("fault", row.dataset.fault) && is("subsystem", group.dataset.subsystem));
        some ||= !row.hidden;
      }
      group.hidden = !some;
    }
    const all = data.verdicts.map(() => 0);
    for (const [field, [className, inside]] of untouched) {
      const counts = data.verdicts.map(() => 0);
      let slowest = null;
      for (const cell of places.get(field.dataset.cell) ?? []) {
        if (!is("operator", cell.operator)) continue;
        cell.verdicts.forEach((runs, verdict) => {
          if (is("verdict", verdict)) counts[verdict] += runs;
        });
        if (cell.slowest !== null) slowest = Math.max(slowest ?? 0, cell.slowest);
      }
      // How slow runs of one verdict were is not known.
      if (wanted.verdict !== "") slowest = null;
      if (counted) {
        fill(field, counts, slowest);
      } else {
        field.className = className;
        field.innerHTML = inside;
      }
      if (field.closest("[hidden]") === null) counts.forEach((runs, verdict) => (all[verdict] += runs));
    }
    for (const row of document.querySelectorAll(".runs tbody tr")) {
      row.hidden = !["machine", "subsystem", "fault", "operator", "verdict"].every((key) => is(key, row.dataset[key]));
    }
    const told = data.verdicts.map((name, verdict) => `${all[verdict]} ${name}`).filter((_, verdict) => all[verdict] > 0);
    form.querySelector("output").value = `Shown: ${all.reduce((a, b) => a + b)} runs${told.length ? ": " + told.join(", ") : ""}.`;
  };
  form.addEventListener("change", apply);
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("reset", () => setTimeout(apply));
  form.reset();
}

/* The film of the worst run. */
if (data.film) {
  const film = data.film;
  const [svg, play, scrub, now] = ["film", "play", "scrub", "now"].map((id) => document.getElementById(id));
  const controls = document.querySelector("#player .controls");
  controls.hidden = false;
  scrub.max = film.t.length - 1;

  const showView = (view, arms, number) => {
    arms.forEach((places, arm) => {
      const group = view.querySelector(`[data-arm="${arm}"]`);
      const at = places[number];
      const point = (index) => `${at[2 * index]},${at[2 * index + 1]}`;
      group.querySelectorAll(".body polyline").forEach((link, index) => link.setAttribute("points", `${point(index)} ${point(index + 1)}`));
      group.querySelector(".bones").setAttribute("points", at.join(" "));
      group.querySelectorAll(".joint").forEach((joint, index) => {
        joint.setAttribute("cx", at[2 * index]);
        joint.setAttribute("cy", at[2 * index + 1]);
      });
    });
    if (film.fault) {
      const at = arms[film.fault.arm][number];
      const ring = view.querySelector(".at-fault");
      ring.setAttribute("visibility", film.t[number] >= film.fault.t ? "visible" : "hidden");
      ring.setAttribute("cx", at[2 * film.fault.point]);
      ring.setAttribute("cy", at[2 * film.fault.point + 1]);
    }
  };
  const show = (number) => {
    scrub.value = number;
    film.views.forEach((arms, view) => showView(svg.querySelector(`[data-view="${view}"]`), arms, number));
    const clearance = film.clearance[number];
    const told = `${film.t[number].toFixed(2)} s, ${film.state[number]}, fastest tip ${film.speed[number]} mm/s`;
    now.textContent = told + (clearance === null ? "" : `, ${clearance} mm clear of the zones`);
    scrub.setAttribute("aria-valuetext", now.textContent);
  };
  const nearest = (t) => Math.min(film.t.length - 1, Math.max(0, film.t.findIndex((at) => at >= t - 1e-6)));

  let since = null;
  const stop = () => {
    since = null;
    play.textContent = "Play";
  };
  const frame = (time) => {
    if (since === null) return;
    const number = film.t.findLastIndex((at) => at <= (time - since) / 1000);
    show(Math.max(0, number));
    if (number === film.t.length - 1) stop();
    else requestAnimationFrame(frame);
  };
  play.addEventListener("click", () => {
    if (since !== null) return stop();
    const from = Number(scrub.value) === film.t.length - 1 ? 0 : film.t[scrub.value];
    since = performance.now() - 1000 * from;
    play.textContent = "Pause";
    requestAnimationFrame(frame);
  });
  scrub.addEventListener("input", () => {
    stop();
    show(Number(scrub.value));
  });
  const moments = [...controls.querySelectorAll("[data-at]")];
  for (const button of moments) {
    button.addEventListener("click", () => {
      stop();
      show(nearest(Number(button.dataset.at)));
    });
  }
  const noticed = moments.find((button) => button.textContent.startsWith("noticed")) ?? moments.find((button) => button.textContent.startsWith("fault"));
  show(nearest(Number(noticed?.dataset.at ?? 0)));
}
