// The WebSocket to the machine, taken up again when it breaks.

const AGAIN_MS = 1000;

export function wire(heard, connected) {
  const address = new URL("live", location.href);
  address.protocol = address.protocol.replace("http", "ws");
  let socket = null;
  function open() {
    socket = new WebSocket(address);
    socket.onopen = () => connected(true);
    socket.onmessage = (message) => heard(JSON.parse(message.data), message.data.length);
    socket.onclose = () => {
      connected(false);
      setTimeout(open, AGAIN_MS);
    };
  }
  open();
  return {
    // Whether it went out. What cannot go out now is not kept: an old word is worse than none.
    say(said) {
      if (socket.readyState !== WebSocket.OPEN || socket.bufferedAmount > 65536) return false;
      socket.send(JSON.stringify(said));
      return true;
    },
  };
}
