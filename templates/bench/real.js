// The bench on a real machine: buttons go to its port by the bridge's rules; how it stands is told by the server.
import { bench, fill, item, stands } from "./bench.js";
import { each, put } from "./page.js";

let hearing = null;
function listen() {
  hearing = new WebSocket(`ws://${location.host}/stand`);
  hearing.onmessage = ({ data }) => {
    const told = JSON.parse(data);
    stands(told);
    fill("differs", told.differs.join("\n"), () => (told.differs.length ? told.differs : ["nothing so far"]).map(item));
    each("#differs", (list) => list.classList.toggle("wrong", told.differs.length > 0));
  };
  hearing.onclose = () => {
    put("busy", bench.now ? "The bench does not answer." : "");
    setTimeout(listen, 1000);
  };
}
listen();
