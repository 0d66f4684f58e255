// The dispatcher's list: keys, choosing, and following what happens without moving under the hand.
// Rows that are there change in place, rows that have ended stay until somebody looks away, and new
// rows wait behind a line that says how many. Without it the page is a list with a form.
"use strict";
(() => {
  const list = document.getElementById("today"), work = document.getElementById("work");
  if (!list || !work) return;
  const news = document.getElementById("news"), help = document.getElementById("keys"), on = document.getElementById("keys-on");
  const rows = () => [...list.querySelectorAll(".alert")];
  const here = () => document.activeElement?.closest?.(".alert");
  const pick = (row) => row?.querySelector('input[name="id"]');
  const picked = () => [...list.querySelectorAll('input[name="id"]:checked')];

  const chosen = document.getElementById("chosen");
  const tell = () => {
    if (!chosen) return;
    const n = picked().length;
    chosen.textContent = n ? tr("{1} chosen.", n) : tr("Choose alerts above.");
  };
  work.addEventListener("change", tell);
  // Enter in a field would press the first button, whatever was meant.
  work.addEventListener("keydown", (e) => { if (e.key === "Enter" && e.target.matches("input:not([type=checkbox])")) e.preventDefault(); });

  const step = (by) => {
    const all = rows(), at = all.indexOf(here());
    const to = all[at < 0 ? (by > 0 ? 0 : all.length - 1) : Math.min(all.length - 1, Math.max(0, at + by))];
    to?.querySelector(".who")?.focus();
    to?.scrollIntoView({ block: "nearest" });
  };

  // ask sends the form for the chosen rows, or for the one under the focus.
  const ask = (what) => {
    const button = work.querySelector(`button[value="${what}"]`);
    if (!button) return;
    if (!picked().length && pick(here())) pick(here()).checked = true;
    tell();
    const name = work.elements.by, why = work.elements.why;
    const lacking = !name.value.trim() ? name : what === "shelve" && !why.value.trim() ? why : null;
    if (lacking) return lacking.focus();
    if (picked().length) work.requestSubmit(button);
  };

  const keys = {
    j: () => step(1), ArrowDown: () => step(1), k: () => step(-1), ArrowUp: () => step(-1),
    x: () => { const p = pick(here()); if (p) { p.checked = !p.checked; tell(); } },
    a: () => ask("acknowledge"), c: () => ask("call"), s: () => ask("shelve"),
    n: () => news.querySelector("a")?.click(), "?": () => help.showModal(),
  };
  on.checked = localStorage.getItem("dewline-keys") !== "off";
  on.addEventListener("change", () => localStorage.setItem("dewline-keys", on.checked ? "on" : "off"));
  document.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || help.open || e.target.matches("input:not([type=checkbox]), select, textarea")) return;
    if (!on.checked && e.key !== "?") return;
    const act = Object.hasOwn(keys, e.key) && keys[e.key];
    if (!act) return;
    e.preventDefault();
    act();
  });
  const opener = document.getElementById("keys-open");
  opener.hidden = false;
  opener.addEventListener("click", () => help.showModal());

  const say = (line) => {
    if (news.textContent === line) return;
    news.replaceChildren();
    if (!line) return;
    const link = document.createElement("a");
    link.href = list.dataset.self;
    link.textContent = line;
    news.append(link);
  };

  let turns = 0;
  const follow = async () => {
    if (document.hidden) return;
    const turn = ++turns;
    const answer = await fetch(list.dataset.self, { headers: { Accept: "text/html" } }).catch(() => null);
    if (!answer?.ok) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (turn !== turns) return; // a later answer is on its way
    if (!fresh.getElementById("today")) return say(tr("Your sign-in is over: sign in again")); // what is typed here stays
    // What the reader looks at stays where it is, whatever grows or shrinks above it.
    const anchor = here() || rows().find((row) => row.getBoundingClientRect().bottom > 0), top = () => anchor?.getBoundingClientRect().top ?? 0;
    const stood = top();
    const now = new Map([...fresh.querySelectorAll(".alert")].map((row) => [row.id, row]));
    for (const row of rows()) {
      const next = now.get(row.id);
      now.delete(row.id);
      row.classList.toggle("gone", !next);
      if (!next) {
        row.querySelector(".alert-head").textContent = "over";
        if (pick(row)) { pick(row).checked = false; pick(row).disabled = true; tell(); }
        continue;
      }
      row.dataset.health = next.dataset.health;
      for (const part of [".alert-head", ".alert-say", ".pic"]) {
        const a = row.querySelector(part), b = next.querySelector(part);
        if (!a || !b || a.innerHTML === b.innerHTML) continue;
        const focused = a.contains(document.activeElement);
        a.innerHTML = b.innerHTML;
        if (focused) a.querySelector(".who")?.focus({ preventScroll: true });
      }
    }
    const head = list.querySelector("h1"), text = fresh.querySelector("#today h1")?.textContent;
    if (text && head.textContent !== text) head.textContent = text;
    say(now.size ? (now.size === 1 ? tr("1 new alert") : tr("{1} new alerts", now.size)) : "");
    scrollBy({ top: top() - stood, behavior: "instant" });
  };
  // What has changed is heard of at once; ages and deadlines move with time.
  setInterval(follow, 60e3);
  addEventListener("dewline-news", follow);
  document.addEventListener("visibilitychange", follow);
})();
