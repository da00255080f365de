// The line to the daemon: server-sent events, opened again by itself. Tells when nothing has come for too long, whatever
// the browser thinks of the connection.

const silent_after_ms = 3000;
const again_after_ms = 1000;

// `on` gets status(value), findings(list), rows(value), each with what came; heard() after each; and lost() once a
// second while nothing is heard.
export function connect(on) {
  let source = null;
  let heard_at = null;
  let opened_at = performance.now();

  function open() {
    source?.close();
    opened_at = performance.now();
    source = new EventSource("/events");
    for (const name of ["status", "findings", "rows"]) {
      source.addEventListener(name, (message) => {
        heard_at = performance.now();
        on[name](JSON.parse(message.data));
        on.heard();
      });
    }
    // The browser tries again by itself after some errors only.
    source.onerror = () => source.close();
  }

  function look() {
    const now = performance.now();
    const closed = source.readyState === EventSource.CLOSED;
    const silent = heard_at === null || now - heard_at > silent_after_ms;
    if (closed || silent) {
      if (closed || heard_at !== null || now - opened_at > silent_after_ms) {
        on.lost(heard_at === null ? null : (now - heard_at) / 1000);
      }
      if (now - opened_at > (closed ? again_after_ms : silent_after_ms)) {
        open();
      }
    }
  }

  open();
  setInterval(look, 250);
}
