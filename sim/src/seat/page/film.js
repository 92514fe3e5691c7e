// A rehearsed session, to be looked at again.

const get = (id) => document.getElementById(id);

export class Film {
  constructor(tell, began) {
    this.tell = tell;
    this.began = began;
    this.moments = null;
    this.playing = null;
    get("film-at").oninput = () => {
      this.playing = null;
      this.label();
    };
    get("film-play").onclick = () => {
      const number = Number(get("film-at").value);
      const from = number >= this.moments.length - 1 ? 0 : number;
      this.playing = this.playing ? null : { since: performance.now(), from: this.moments[from].t };
      this.label();
    };
    get("film-end").onclick = () => this.end();
  }

  async show(number) {
    const answer = await fetch(`film/${number}`);
    if (!answer.ok) {
      this.tell(false, "the rehearsal cannot be fetched");
      return;
    }
    const film = await answer.json();
    this.moments = film.moments;
    get("film").hidden = false;
    get("film").dataset.digest = film.is;
    get("film-verdict").textContent = film.same ? `same run to the bit, digest ${film.is}` : `NOT the same run: ${film.was} was, ${film.is} is`;
    get("film-at").max = this.moments.length - 1;
    get("film-at").value = 0;
    this.began();
    this.label();
    get("film-at").focus();
  }

  // What came before a moment that is looked at, and it.
  until(moment, seconds) {
    return this.moments.filter(({ t }) => t <= moment.t && t > moment.t - seconds);
  }

  end() {
    [this.moments, this.playing] = [null, null];
    get("film").hidden = true;
    this.began();
  }

  label() {
    get("film-play").textContent = this.playing ? "Pause" : "Play";
  }

  // The moment that is looked at; none while nobody looks at a film.
  moment(at) {
    if (!this.moments?.length) return null;
    if (this.playing) {
      const t = this.playing.from + (at - this.playing.since) / 1000;
      const after = this.moments.findIndex((moment) => moment.t > t);
      get("film-at").value = after < 0 ? this.moments.length - 1 : Math.max(0, after - 1);
      if (after < 0) {
        this.playing = null;
        this.label();
      }
    }
    const moment = this.moments[Number(get("film-at").value)];
    get("film-time").value = `${moment.t.toFixed(2)} s`;
    return moment;
  }
}
