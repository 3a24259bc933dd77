// Takes photographs and sends each as it is, over plain HTTP with retries. What is on its way is
// also kept in the browser's own database, so that neither a lost connection nor a reload of the
// page loses it.

const SENDERS = new Map(); // by inspection: they outlast the component, which is mounted anew
const LONGEST_WAIT_MS = 8000;
const STORE = "waiting";

function database() {
  return new Promise((done, failed) => {
    const asked = indexedDB.open("fitcheck-uploads", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore(STORE, { keyPath: "id" });
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
  });
}
async function inDatabase(mode, act) {
  try {
    const opened = await database();
    return await new Promise((done, failed) => {
      const change = opened.transaction(STORE, mode), answer = act(change.objectStore(STORE));
      change.oncomplete = () => { opened.close(); done(answer.result); };
      change.onerror = () => { opened.close(); failed(change.error); };
    });
  } catch { return undefined; } // a private window may have none: then only this page holds it
}

function makeSender(path) {
  const sender = { path, token: "", waiting: [], tell() {}, arrived() {} };
  let running = false, wake = null;
  window.addEventListener("online", () => wake?.());

  const pause = (ms) => new Promise((done) => { wake = done; setTimeout(done, ms); });
  function post(photo) {
    return new Promise((done) => {
      const request = new XMLHttpRequest();
      request.open("POST", photo.url);
      request.setRequestHeader("x-fitcheck-token", sender.token);
      request.upload.onprogress = (e) => {
        photo.share = e.lengthComputable ? e.loaded / e.total : 0;
        photo.state = "sending";
        sender.tell();
      };
      request.onload = () => done(request);
      request.onerror = request.ontimeout = request.onabort = () => done(null);
      request.timeout = 120000;
      request.send(photo.blob);
    });
  }
  async function run() {
    if (running) return;
    running = true;
    for (let tries = 0; sender.waiting.some((p) => p.state !== "refused");) {
      const photo = sender.waiting.find((p) => p.state !== "refused");
      photo.state = "sending";
      sender.tell();
      const answer = await post(photo);
      let said = null;
      try { said = answer && JSON.parse(answer.responseText); } catch { /* not from this program */ }
      if (answer && answer.status === 200) {
        tries = 0;
        sender.waiting = sender.waiting.filter((p) => p !== photo);
        inDatabase("readwrite", (s) => s.delete(photo.id));
        sender.last = photo.name;
        sender.tell();
        sender.arrived(said?.sha256 ?? String(Date.now()));
      } else if (answer && answer.status >= 400 && answer.status < 500 && ![408, 403, 429].includes(answer.status)) {
        photo.state = "refused";
        photo.why = said ? `${said.message} ${said.advice}` : "It was not accepted. Take another one.";
        inDatabase("readwrite", (s) => s.delete(photo.id));
        sender.tell();
      } else {
        tries += 1;
        photo.state = "waiting";
        photo.tries = tries;
        photo.stale = answer?.status === 403; // the program was started anew since
        photo.why = said?.message ? `${said.message} ${said.advice}` : ""; // a full disk, say
        sender.tell();
        await pause(Math.min(LONGEST_WAIT_MS, 500 * 2 ** Math.min(tries, 5)));
      }
    }
    running = false;
  }
  sender.add = (file, query) => {
    const id = `${Date.now()}-${Math.random()}`;
    const url = `${path}?${new URLSearchParams({ name: file.name || "photo.jpg", ...query })}`;
    const photo = { id, path, url, name: file.name || "photo.jpg", blob: file, state: "waiting" };
    sender.waiting.push(photo);
    inDatabase("readwrite", (s) => s.put({ id, path, url, name: photo.name, blob: file }));
    run();
  };
  sender.dismiss = (id) => {
    sender.waiting = sender.waiting.filter((p) => p.id !== id);
    sender.tell();
  };
  inDatabase("readonly", (s) => s.getAll()).then((kept) => {
    const left = (kept ?? []).filter((p) => p.path === path && !sender.waiting.some((w) => w.id === p.id));
    sender.waiting.push(...left.map((p) => ({ ...p, state: "waiting" })));
    sender.tell();
    run();
  });
  return sender;
}

export default function ({ data, parentElement: root, setTriggerValue }) {
  if (!SENDERS.has(data.path)) SENDERS.set(data.path, makeSender(data.path));
  const sender = SENDERS.get(data.path), out = root.querySelector("output");
  sender.token = data.token;
  sender.arrived = (sha256) => setTriggerValue("arrived", sha256);
  sender.tell = () => {
    const lines = sender.waiting.map((p) => {
      const line = document.createElement("p");
      if (p.state === "refused") {
        line.className = "refused";
        line.textContent = p.why.includes(p.name) ? `✗ ${p.why} ` : `✗ ${p.name}: ${p.why} `;
        const away = document.createElement("button");
        away.type = "button";
        away.textContent = "Understood";
        away.onclick = () => sender.dismiss(p.id);
        line.append(away);
      } else if (p.state === "sending") {
        const size = (p.blob.size / 1e6).toFixed(1);
        line.textContent = `Sending ${p.name}, ${size} MB: ${Math.round(100 * (p.share ?? 0))} %`;
        const bar = document.createElement("progress");
        bar.value = p.share ?? 0;
        bar.setAttribute("aria-label", `Sending ${p.name}`);
        line.append(bar);
      } else {
        const again = p.why ? `by itself. ${p.why}` : `as soon as there is a connection${p.tries ? ` (try ${p.tries + 1})` : ""}.`;
        line.textContent = p.stale ? `${p.name} is kept here. Load this page again to send it.` : `${p.name} is kept here and is sent again ${again}`;
      }
      return line;
    });
    if (!lines.length && sender.last) {
      const line = document.createElement("p");
      line.textContent = `✓ ${sender.last} has arrived.`;
      lines.push(line);
    }
    out.replaceChildren(...lines);
  };
  for (const input of root.querySelectorAll("input")) {
    input.onchange = () => {
      sender.last = "";
      for (const file of input.files) sender.add(file, data.query);
      input.value = "";
    };
  }
  root.querySelector(".as").textContent = data.words;
  root.querySelector(".camera").hidden = !matchMedia("(pointer: coarse)").matches;
  sender.tell();
}
