// What is typed on a visit stays on the phone until the service says that it has it. Every change is kept
// at once, with the id of the visit and a revision that counts what was sent: sending again does not make
// two. Photos wait in the browser's database. That somebody is on the way or on site is kept in the same way,
// with an id and the time of its own. On the other pages of service calls it sends what is left, and says how
// much. Without it the forms are ordinary ones.
"use strict";
(() => {
  const prefix = "dewline-visit ", soon = 2500, again = 15000, patience = 30000, side = 2048, mostBytes = 20 << 20;
  const form = document.getElementById("visit");
  const line = document.getElementById("kept") || document.getElementById("unsent");
  if (!line) return;

  // What is kept: one entry for each address at which a visit is recorded.
  //   id, revision: of what is to be sent; tried: the last revision that was sent, answered or not
  //   fields: names and values as the form has them; place: for people
  //   unsent, closing: what is still to be done; held: why the service does not take it; partly: what of it
  //   made no sense there, and so is here only
  const load = (address) => JSON.parse(localStorage.getItem(prefix + address) || "null");
  const save = (address, entry) => {
    try {
      localStorage.setItem(prefix + address, JSON.stringify(entry));
    } catch {
      complain([tr("This phone has no room left to keep what you type: press Save where there is a signal, and write down what matters.")]);
    }
  };
  const forget = (address) => localStorage.removeItem(prefix + address);
  const addresses = () => Object.keys(localStorage).filter((key) => key.startsWith(prefix)).map((key) => key.slice(prefix.length));

  // Every change after something was sent is a new revision: an answer that was lost may have told that
  // the old one is kept.
  const change = (address, entry) => {
    if (entry.tried >= entry.revision) entry.revision = entry.tried + 1;
    entry.unsent = true;
    entry.held = entry.partly = "";
    save(address, entry);
  };

  const newID = () => Array.from(crypto.getRandomValues(new Uint8Array(16)), (b) => b.toString(16).padStart(2, "0")).join("");

  // Steps of calls, in the order in which they were taken: id, at, who took it, address, fields, words for
  // people; held: why the service does not take it.
  const stepPrefix = "dewline-step ";
  const steps = () => Object.keys(localStorage).filter((key) => key.startsWith(stepPrefix)).map((key) => JSON.parse(localStorage.getItem(key)))
    .sort((a, b) => (a.at < b.at ? -1 : 1));
  const saveStep = (step) => localStorage.setItem(stepPrefix + step.id, JSON.stringify(step));
  const forgetStep = (step) => localStorage.removeItem(stepPrefix + step.id);

  const database = new Promise((done, failed) => {
    const open = indexedDB.open("dewline-photos", 1);
    open.onupgradeneeded = () => open.result.createObjectStore("photos", { keyPath: "key", autoIncrement: true });
    open.onsuccess = () => done(open.result);
    open.onerror = () => failed(open.error);
  });
  database.catch(() => {});
  const photos = async (mode, what) => {
    const change = (await database).transaction("photos", mode), asked = what(change.objectStore("photos"));
    return new Promise((done, failed) => {
      change.oncomplete = () => done(asked.result);
      change.onerror = change.onabort = () => failed(change.error);
    });
  };
  const waiting = async (address) => {
    try {
      return (await photos("readonly", (store) => store.getAll())).filter((p) => !address || p.address === address);
    } catch {
      return []; // a browser that keeps no files
    }
  };

  const clock = () => new Date().toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
  let sentAt = "";

  // tell says what is kept here and not there.
  const tell = async () => {
    const all = addresses().map((address) => [address, load(address)]).filter(([, entry]) => entry);
    const pending = await waiting();
    const unsent = all.filter(([address, entry]) => entry.unsent || entry.closing || pending.some((p) => p.address === address));
    const taken = steps(), n = unsent.length + taken.length;
    let text = "";
    if (n) {
      const held = unsent.every(([, entry]) => entry.held) && taken.every((step) => step.held);
      const photos = pending.length === 1 ? tr(", with 1 photo") : pending.length ? tr(", with {1} photos", pending.length) : "";
      text = tr("Kept on this phone, not sent yet: {1}", n) + photos + ". " +
        (held ? tr("The service does not take it as it is.") : tr("It goes by itself when there is a signal.")) + (unsent.some(([, entry]) => entry.closing) ? " " + tr("Then the visit is closed.") : "");
    } else if (form) {
      text = sentAt ? tr("Everything is sent, {1}.", sentAt) : tr("What you type is kept on this phone at once, and sent when there is a signal.");
    }
    line.textContent = text;
    line.dataset.unsent = n;
    showSteps(taken);
    if (!form || unsent.length > 1) {
      for (const [address, entry] of unsent) {
        if (form && address === here) continue;
        const link = document.createElement("a");
        link.href = address;
        link.textContent = entry.place || address;
        line.append(" ", link);
      }
    }
    const own = form ? load(here) : null;
    if (own?.held && !own.clash) complain([own.held]);
    showHeld(unsent.filter(([address, entry]) => entry.held && !(form && address === here)));
  };

  // showHeld shows what the service does not take any more, a visit that was closed elsewhere before this
  // arrived: it is here only, until somebody has read it and says so.
  const showHeld = (all) => {
    document.querySelectorAll(".held:not(.step)").forEach((box) => box.remove());
    for (const [address, entry] of all) {
      const box = Object.assign(document.createElement("details"), { className: "held" });
      box.append(Object.assign(document.createElement("summary"), { textContent: (entry.place || address) + ": " + entry.held }));
      const list = Object.assign(document.createElement("ul"), { className: "plain" });
      for (const [name, value] of entry.fields) {
        if (value && !/_at$|\.at$|^units$|reference|digest|photo\.(type|bytes)/.test(name)) {
          list.append(Object.assign(document.createElement("li"), { textContent: name.replace(/[._]/g, " ") + ": " + value }));
        }
      }
      const button = Object.assign(document.createElement("button"), { type: "button", textContent: tr("Forget it") });
      button.onclick = async () => {
        forget(address);
        for (const p of await waiting(address)) await photos("readwrite", (store) => store.delete(p.key));
        tell();
      };
      box.append(list, button);
      line.after(box);
    }
  };

  // showSteps says which steps wait, and shows those that the service does not take until somebody has read it.
  const showSteps = (taken) => {
    document.querySelectorAll(".held.step").forEach((box) => box.remove());
    for (const acting of document.querySelectorAll("[data-step]")) {
      const button = acting.querySelector("button"), waits = taken.some((step) => step.address === acting.getAttribute("action") && step.do === button.value && !step.held);
      button.disabled = waits;
      button.textContent = waits ? tr("{1}: kept, not sent yet", acting.dataset.step) : acting.dataset.step;
    }
    for (const step of taken) {
      if (!step.held) {
        const link = Object.assign(document.createElement("a"), { href: step.address, textContent: step.place + ": " + step.word });
        if (step.address !== location.pathname) line.append(" ", link);
        continue;
      }
      const box = Object.assign(document.createElement("div"), { className: "held step" });
      const button = Object.assign(document.createElement("button"), { type: "button", textContent: tr("Forget it") });
      button.onclick = () => { forgetStep(step); tell(); };
      box.append(Object.assign(document.createElement("p"), { textContent: `${step.place}: ${step.word}, ${new Date(step.at).toLocaleString([], { dateStyle: "medium", timeStyle: "short" })}. ${step.held}` }), button);
      line.after(box);
    }
    if (taken.some((step) => step.away)) line.append(" ", Object.assign(document.createElement("a"), { href: "/sign-in?back=" + encodeURIComponent(location.pathname), textContent: tr("Sign in") }));
  };

  // sendSteps sends steps in their order; where the service does not answer, what follows waits too. What was
  // taken by one person is sent in nobody else's name.
  const sendSteps = async () => {
    for (const step of steps()) {
      if (step.held || step.who !== line.dataset.who) continue;
      let answer, told = {};
      try {
        const body = new URLSearchParams([...step.fields, ["do", step.do], ["id", step.id], ["at", step.at]]);
        answer = await fetch(step.address, { method: "POST", body, headers: { Accept: "application/json" }, signal: AbortSignal.timeout(patience) });
        if ((answer.headers.get("Content-Type") || "").startsWith("application/json")) told = await answer.json();
      } catch {
        return;
      }
      step.away = answer.status === 401;
      if (told.done) {
        forgetStep(step);
        if (step.address === location.pathname && !form) location.replace(location.pathname);
        continue;
      }
      if (answer.status === 409) step.held = told.problem;
      if (answer.status === 403 || answer.status === 404) step.held = tr("The service does not take this: the call may not be yours any more.");
      saveStep(step);
      if (!step.held) return;
    }
  };

  for (const acting of document.querySelectorAll("[data-step]")) {
    acting.addEventListener("submit", (e) => {
      const by = acting.elements.by, button = acting.querySelector("button");
      if (by && !by.value.trim()) return; // the service asks for it
      e.preventDefault();
      saveStep({
        id: newID(), at: new Date().toISOString(), who: line.dataset.who, address: acting.getAttribute("action"), do: button.value,
        fields: by ? [["by", by.value]] : [], word: acting.dataset.step, place: acting.dataset.place,
      });
      tell();
      later(0);
    });
  }

  // complain says what is wrong, and what helps. What stands there already is left alone: a visit is sent again
  // and again, and what somebody is about to press must not go from under the finger.
  const complain = (texts, missing, ...help) => {
    const box = document.getElementById("problems");
    if (!box) return;
    const list = document.createElement("ul");
    list.className = "plain";
    for (const text of texts) list.append(Object.assign(document.createElement("li"), { textContent: text }));
    for (const lack of missing || []) {
      const link = Object.assign(document.createElement("a"), { href: "#" + lack.Anchor, textContent: lack.Text });
      list.append(document.createElement("li"));
      list.lastChild.append(link);
    }
    const head = Object.assign(document.createElement("p"), { textContent: missing?.length ? tr("It is kept, and cannot be closed yet:") : "" });
    const made = box.cloneNode();
    made.className = list.children.length ? "lacks" : "";
    if (list.children.length) made.append(head, list, ...help);
    if (made.isEqualNode(box)) return;
    box.className = made.className;
    box.replaceChildren(...made.childNodes);
  };

  // post sends a visit. It returns what the service says, null where it does not answer.
  const post = async (address, entry, closing) => {
    const body = new URLSearchParams(entry.fields);
    body.set("id", entry.id);
    body.set("revision", entry.revision);
    if (closing) body.set("do", "close");
    try {
      const answer = await fetch(address, { method: "POST", body, headers: { Accept: "application/json" }, signal: AbortSignal.timeout(patience) });
      if ((answer.headers.get("Content-Type") || "").startsWith("application/json")) return answer.status === 503 ? null : await answer.json();
      if (answer.status === 401 || answer.redirected) return { problems: [tr("You are not signed in any more. What you typed is kept here: sign in, and it is sent.")], wait: true };
      if (answer.status === 403 || answer.status === 404) return { problems: [tr("The service does not take this visit: the call may not be yours any more. What you typed is kept here.")] };
      return null;
    } catch {
      return null;
    }
  };

  // pass sends one visit, and after it its photos. It returns whether another pass is worth a try.
  const pass = async (address) => {
    const pending = await waiting(address);
    let entry = load(address);
    if (!entry || entry.held || !(entry.unsent || entry.closing || pending.length)) return false;
    const closing = entry.closing && !pending.length;
    if (entry.unsent || closing) {
      const sent = entry.revision;
      entry.tried = sent;
      save(address, entry);
      const told = await post(address, entry, closing);
      entry = load(address) || entry; // somebody may have typed meanwhile
      if (!told) return false;
      if (told.closed) {
        forget(address);
        if (!told.kept) { // by somebody else, before this arrived
          const aside = address + "#" + entry.id;
          entry.held = told.problems.join(" ");
          entry.closing = false;
          save(aside, entry);
          for (const p of pending) await photos("readwrite", (store) => store.put({ ...p, address: aside }));
        }
        if (form && address === here) location.assign(here);
        return false;
      }
      if (told.clash) entry.clash = told.revision;
      if (told.kept) {
        entry.unsent = entry.revision !== sent;
        entry.partly = entry.unsent ? "" : told.problems.join(" ");
        sentAt = clock();
      } else if (!told.wait) {
        entry.held = told.problems.join(" ");
      }
      if (told.missing?.length || told.problems?.length) entry.closing = false;
      save(address, entry);
      if (form && address === here) {
        const signIn = Object.assign(document.createElement("a"), { href: "/sign-in?back=" + encodeURIComponent(here), textContent: tr("Sign in") });
        complain(told.problems || [], told.missing, ...(told.wait ? [signIn] : []));
        if (told.clash) offerBoth();
        const vacuum = document.getElementById("vacuum-says");
        if (vacuum && told.kept) vacuum.textContent = told.vacuum;
      }
      if (!told.kept) return false;
    }
    let added = false;
    for (const p of pending) {
      const answer = await upload(address, entry.id, p);
      if (!answer) return false;
      entry = load(address);
      if (answer.digest) {
        for (const [name, value] of Object.entries({ digest: answer.digest, type: answer.type, bytes: answer.bytes, note: "", drop: "" })) entry.fields.push(["photo." + name, String(value)]);
        change(address, entry);
        added = true;
        if (form && address === here) showPhoto(entry.id, answer);
      }
      await photos("readwrite", (store) => store.delete(p.key));
      if (form && address === here) listPhotos();
    }
    return added || (load(address)?.closing ?? false);
  };

  const upload = async (address, id, photo) => {
    try {
      const answer = await fetch("/api/v1/visits/" + encodeURIComponent(id) + "/photos", {
        method: "POST", body: photo.blob, headers: { "Content-Type": "application/octet-stream" }, signal: AbortSignal.timeout(4 * patience),
      });
      if (answer.ok) return await answer.json();
      if (answer.status === 401 || answer.status >= 500) return null;
      const problem = await answer.json().catch(() => ({}));
      complain([tr("The photo {1} was not kept:", JSON.stringify(photo.name)) + " " + (problem.detail || answer.statusText)]);
      return {}; // it never will be
    } catch {
      return null;
    }
  };

  let busy = false, more = false;
  const flush = async () => {
    if (busy) { more = true; return; }
    busy = true;
    try {
      await sendSteps();
      const all = new Set([...addresses(), ...(await waiting()).map((p) => p.address)]);
      for (const address of all) while (await pass(address));
    } finally {
      busy = false;
    }
    await tell();
    if (more) { more = false; flush(); }
  };
  const locked = () => (navigator.locks ? navigator.locks.request("dewline-visits", flush) : flush());
  let timer = 0;
  const later = (wait) => { clearTimeout(timer); timer = setTimeout(locked, wait); };

  addEventListener("online", () => later(0));
  addEventListener("dewline-send", () => later(0));
  setInterval(() => { if (Number(line.dataset.unsent)) later(0); }, again);

  // The pages of a technician's calls are kept, so that they open on a roof without signal.
  const worker = (form || line).dataset.worker;
  if (worker && navigator.serviceWorker) {
    navigator.serviceWorker.register(worker, { scope: "/calls" }).catch(() => {});
    navigator.serviceWorker.ready.then((at) => {
      const keep = [location.pathname + location.search, ...[...document.querySelectorAll("[data-keep]")].slice(0, 20).map((e) => e.dataset.keep)];
      at.active?.postMessage({ keep });
    });
  }

  const here = form ? new URL(form.action).pathname : "";
  if (!form) {
    later(0);
    tell();
    return;
  }

  // The form.
  const zone = form.dataset.zone;
  const local = (at) => at.toLocaleString("sv-SE", { timeZone: zone }).replace(" ", "T");
  const fieldsOf = () => [...new FormData(form)].filter(([name, value]) => typeof value === "string" && !["id", "revision", "do"].includes(name));
  const server = { id: form.elements.id.value, revision: Number(form.elements.revision.value) - 1 };

  const fresh = () => ({
    id: form.dataset.new ? newID() : server.id, revision: server.revision + 1, tried: 0, place: form.dataset.place,
    fields: fieldsOf(), unsent: false, closing: false, held: "",
  });

  const rowsOf = (list) => [...list.querySelectorAll(":scope > [data-row]")];
  const typed = (row) => [...row.querySelectorAll("input:not([type=hidden]):not([data-given]), select:not([data-given])")].some((e) => e.value !== "");
  const grow = (list) => {
    const rows = rowsOf(list), last = rows[rows.length - 1];
    const row = last.cloneNode(true);
    for (const e of row.querySelectorAll("input:not([data-given]), select:not([data-given])")) e.value = "";
    last.querySelectorAll("[data-given]").forEach((e, i) => { row.querySelectorAll("[data-given]")[i].value = e.value; });
    list.append(row);
    return row;
  };
  const growAll = () => {
    for (const list of form.querySelectorAll("[data-grow]")) if (typed(rowsOf(list).at(-1))) grow(list);
  };

  // restore puts what was kept into the form, with as many rows as it had.
  const restore = (entry) => {
    const values = new Map();
    for (const [name, value] of entry.fields) values.set(name, [...(values.get(name) || []), value]);
    for (const list of form.querySelectorAll("[data-list]")) {
      const most = Math.max(0, ...[...values].filter(([name]) => name.startsWith(list.dataset.list + ".")).map(([, all]) => all.length));
      if (list.dataset.list === "photo") {
        list.replaceChildren();
        for (let i = 0; i < most; i++) list.append(photoRow(entry.id, values.get("photo.digest")?.[i]));
      }
      while (list.dataset.grow !== undefined && rowsOf(list).length < most) grow(list);
    }
    restoreReadings(values);
    for (const name of new Set([...form.elements].map((e) => e.name))) {
      if (!name || name.startsWith("reading.") || ["id", "revision", "units", "do", "picture"].includes(name)) continue;
      const all = values.get(name) || [];
      [...form.querySelectorAll(`[name="${CSS.escape(name)}"]`)].forEach((e, i) => {
        if (i < all.length || e.closest("[data-grow]")) e.value = all[i] ?? "";
      });
    }
    growAll();
    openTyped();
  };

  // restoreReadings finds the row of each point: the page may have got others meanwhile.
  const restoreReadings = (values) => {
    const free = [...form.querySelectorAll('[data-list="reading"] > [data-row]')];
    (values.get("reading.point") || []).forEach((point, i) => {
      const at = free.findIndex((row) => row.querySelector('[name="reading.point"]').value === point);
      let row = free[at];
      if (row) {
        free.splice(at, 1);
      } else {
        const last = form.querySelector('[data-list="reading"] > [data-row]:last-child');
        row = last.cloneNode(true);
        row.querySelector(".point").textContent = point.replaceAll("_", " ");
        last.after(row);
      }
      for (const field of ["point", "reference", "found", "found_at", "left", "left_at"]) {
        row.querySelector(`[name="reading.${field}"]`).value = values.get("reading." + field)?.[i] ?? "";
      }
    });
  };
  const openTyped = () => {
    for (const details of form.querySelectorAll("details")) {
      if ([...details.querySelectorAll("input:not([type=hidden]):not([data-given]), select:not([data-given])")].some((e) => e.value)) details.open = true;
    }
  };

  const photoRow = (id, digest) => {
    const row = document.getElementById("photo-row").content.firstElementChild.cloneNode(true);
    if (!digest) return row;
    const address = "/api/v1/visits/" + encodeURIComponent(id) + "/photos/" + encodeURIComponent(digest);
    const link = Object.assign(document.createElement("a"), { href: address });
    link.append(Object.assign(document.createElement("img"), { src: address + "?size=small", alt: tr("Photo of this visit"), loading: "lazy" }));
    row.prepend(link);
    return row;
  };
  const showPhoto = (id, photo) => {
    const row = photoRow(id, photo.digest);
    for (const name of ["digest", "type", "bytes"]) row.querySelector(`[name="photo.${name}"]`).value = photo[name];
    form.querySelector('[data-list="photo"]').append(row);
  };
  const listPhotos = async () => {
    const box = document.getElementById("photos-waiting");
    if (!box) return;
    box.replaceChildren(...(await waiting(here)).map((p) => Object.assign(document.createElement("li"), { textContent: tr("{1}: kept on this phone, not sent yet", `${p.name}, ${Math.ceil(p.blob.size / 1000)} kB`) })));
  };

  // small makes a photo as large as the service keeps it, so that less has to go over a weak signal.
  const small = async (file) => {
    try {
      const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
      const scale = Math.min(1, side / Math.max(picture.width, picture.height));
      const canvas = Object.assign(document.createElement("canvas"), { width: Math.round(picture.width * scale), height: Math.round(picture.height * scale) });
      const pen = canvas.getContext("2d");
      pen.fillStyle = "white";
      pen.fillRect(0, 0, canvas.width, canvas.height);
      pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
      picture.close();
      return (await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.88))) || file;
    } catch {
      return file; // the service says what is wrong with it
    }
  };

  const kept = load(here);
  const start = async () => {
    const pending = await waiting(here);
    const newer = kept && (kept.id === server.id ? kept.revision > server.revision : form.dataset.new && kept.revision > 0);
    const left = kept && (kept.unsent || kept.closing || kept.partly || pending.length || newer);
    const units = left && kept.fields.find(([name]) => name === "units")?.[1];
    if (units && units !== form.elements.units.value) { // what was typed means something in its own units only
      if (!location.search) return location.replace(here + "?units=" + encodeURIComponent(units));
      form.hidden = true;
      complain([tr("You typed this visit in other units. It is kept on this phone, and can be changed again where there is a signal.")]);
    } else if (left) {
      restore(kept);
      if (kept.partly) complain([kept.partly]);
      if (kept.clash) offerBoth();
    } else if (kept) {
      forget(here);
    }
    growAll();
    openTyped();
    listPhotos();
    await tell();
    later(0);
  };

  const persist = () => {
    const entry = load(here) || fresh();
    if (form.dataset.new && !entry.begun) {
      entry.begun = true;
      if (!load(here)) form.elements.started.value = local(new Date());
    }
    entry.fields = fieldsOf();
    change(here, entry);
    return entry;
  };

  form.addEventListener("input", (e) => {
    if (e.target.type === "file") return;
    const row = e.target.closest("[data-row]"), stamp = e.target.dataset.stamp, at = e.target.dataset.clock;
    if (row && stamp) {
      const field = row.querySelector(`[name="${CSS.escape(stamp)}"]`);
      if (!field.value) field.value = new Date().toISOString();
    }
    if (row && at) {
      const field = row.querySelector(`[name="${CSS.escape(at)}"]`);
      if (!field.value) field.value = local(new Date());
    }
    growAll();
    persist();
    tell();
    later(soon);
  });

  for (const button of form.querySelectorAll("[data-now]")) {
    button.hidden = false;
    button.addEventListener("click", () => {
      form.elements[button.dataset.now].value = local(new Date());
      persist();
      tell();
      later(0);
    });
  }

  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const closing = e.submitter?.value === "close";
    if (closing && !form.elements.finished.value) form.elements.finished.value = local(new Date());
    const entry = persist();
    entry.closing = closing;
    save(here, entry);
    complain([]);
    tell();
    later(0);
  });

  form.elements.picture?.addEventListener("change", async (e) => {
    const files = [...e.target.files];
    for (const file of files) {
      const blob = await small(file);
      if (blob.size > mostBytes) {
        complain([tr("The photo {1} has more than 20 MB: take a smaller one.", JSON.stringify(file.name))]);
        continue;
      }
      const bytes = new Blob([await blob.arrayBuffer()], { type: blob.type }); // a chosen file may be gone later
      await photos("readwrite", (store) => store.add({ address: here, blob: bytes, name: file.name }));
    }
    e.target.value = "";
    persist();
    listPhotos();
    tell();
    later(0);
  });

  // offerBoth asks what is to stand where somebody went on with the visit on another device.
  const offerBoth = () => {
    const box = document.getElementById("problems");
    const mine = Object.assign(document.createElement("button"), { type: "button", textContent: tr("Keep what is on this phone") });
    const theirs = Object.assign(document.createElement("button"), { type: "button", textContent: tr("Take what is there") });
    mine.onclick = () => {
      const entry = load(here);
      entry.revision = entry.clash + 1;
      entry.tried = entry.clash;
      delete entry.clash;
      entry.held = "";
      entry.unsent = true;
      save(here, entry);
      box.replaceChildren();
      later(0);
    };
    theirs.onclick = () => { forget(here); location.reload(); };
    const text = document.createElement("p");
    text.textContent = tr("Somebody has gone on with this visit on another device. What you typed is kept on this phone and not sent.");
    const bar = document.createElement("p");
    bar.append(mine, " ", theirs);
    box.className = "lacks";
    box.replaceChildren(text, bar);
  };

  // The values of now, each few seconds. What cannot be asked for is said to be of then.
  const live = async () => {
    const box = document.getElementById("visit-live");
    if (!box || document.hidden) return;
    const opened = box.querySelector("details")?.open;
    try {
      const answer = await fetch(box.dataset.href, { signal: AbortSignal.timeout(8000) });
      if (!answer.ok || answer.redirected) throw new Error(answer.statusText);
      const made = document.createRange().createContextualFragment(await answer.text()).firstElementChild;
      if (opened) made.querySelector("details")?.setAttribute("open", "");
      box.replaceWith(made);
    } catch {
      const says = document.getElementById("live-says");
      says.textContent = tr("No signal: these values are of {1} and may be wrong by now.", box.dataset.at);
      says.className = "stale";
    }
    ours();
  };
  const ours = () => {
    for (const item of document.querySelectorAll("[data-sensor]")) {
      const cell = form.querySelector(`[data-ours="${CSS.escape(item.dataset.sensor)}"]`);
      if (cell) cell.textContent = item.textContent.slice(item.textContent.indexOf(":") + 2);
    }
  };
  ours();
  setInterval(live, 5000);
  addEventListener("dewline-live", live);

  start();
})();
