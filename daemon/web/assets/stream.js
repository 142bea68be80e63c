// The stream of events: goes on behind the last event seen, by itself, and rests while nobody looks at the page, so that many open
// tabs do not take all connections that a browser has for one daemon.

// Stream calls onEvent with each event, onLink with true or false as it is up or down.
export class Stream {
  constructor(onEvent, onLink) {
    Object.assign(this, { onEvent, onLink, last: "", source: null, timer: 0, wanted: false });
    document.addEventListener("visibilitychange", () => this.wanted && (document.hidden ? this.rest() : this.open()));
    addEventListener("pagehide", () => this.rest());
    addEventListener("pageshow", () => this.wanted && this.open());
  }
  start(after) {
    this.last = after || this.last;
    this.wanted = true;
    this.rest();
    if (!document.hidden) this.open();
  }
  stop() {
    this.wanted = false;
    this.rest();
  }
  // rest frees the connection; open goes on behind the last event.
  rest() {
    clearTimeout(this.timer);
    if (this.source) this.source.close();
    this.source = null;
  }
  open() {
    if (this.source || !this.wanted) return;
    const source = this.source = new EventSource("/api/events" + (this.last ? "?after=" + encodeURIComponent(this.last) : ""));
    source.onopen = () => this.onLink(true);
    source.onerror = () => {
      this.onLink(false);
      this.rest(); // an EventSource gives up on some answers; a new one does not
      this.timer = setTimeout(() => this.open(), 1000);
    };
    for (const kind of ["job", "point", "log", "bench", "off", "reset"]) source.addEventListener(kind, e => {
      if (e.lastEventId) this.last = e.lastEventId;
      let event;
      try {
        event = JSON.parse(e.data);
      } catch {
        event = { kind: "reset" };
      }
      this.onEvent(event);
    });
  }
}
