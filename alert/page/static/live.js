// Keeps a page up to date and says when it no longer is. Without it everything
// can still be read.
"use strict";
(() => {
  const askEvery = 3000, loadEvery = 10000, lostAfter = 13000, heldAfter = 60000; // ms
  const moment = () => ({ run: performance.now(), wall: Date.now() });
  // since also counts the time of a machine that slept.
  const since = (m) => Math.max(performance.now() - m.run, Date.now() - m.wall);
  const clock = (ms) => new Date(ms).toTimeString().slice(0, 5);
  const main = () => document.getElementById("main");

  let heard = moment(), asked = moment(), told = moment();
  let state = "", word = "", out = false, lost = false, asking = false, dirty = false, held = 0;

  // show says what is wrong with the page, in a place that no update replaces and
  // no form holds back.
  const show = () => {
    let text = "";
    lost = since(heard) > lostAfter;
    if (lost && out) text = `Logged out. This page has not followed the room since ${clock(heard.wall)}. Log in again.`;
    else if (lost) text = `No contact since ${clock(heard.wall)}. What is shown is from then: look at the enclosures yourself.`;
    else if (word) text = word;
    else if (held && Date.now() - held > heldAfter) text = `What is shown is from ${clock(held)}: the page waits until you have finished here.`;
    const e = document.getElementById("lost");
    if (e.textContent !== text) e.textContent = text;
    e.hidden = !text;
    document.documentElement.classList.toggle("old", text !== "");
  };

  // hear takes in a sign of life: what the page should show, by one word that differs
  // where that does, and what is wrong with the readings.
  const hear = (now, text) => {
    const news = lost || state && state !== now || since(told) > loadEvery;
    heard = moment();
    state = now;
    word = text.trim();
    out = false;
    show();
    if (news) { told = moment(); load(); }
  };

  const look = async () => {
    if (asking) return;
    asking = true;
    asked = moment();
    try {
      const a = await fetch("/beat", { credentials: "same-origin", cache: "no-store", redirect: "manual", signal: AbortSignal.timeout(4000) });
      out = a.type === "opaqueredirect";
      if (a.ok) hear(...(await a.text()).split("\n"));
    } catch { /* no contact: the clock tells */ } finally { asking = false; }
  };

  const check = () => {
    if (since(asked) >= askEvery) look();
    show();
  };

  const busy = () => dirty || main().querySelector("details[open]") ||
    /^(INPUT|SELECT|TEXTAREA|BUTTON)$/.test(document.activeElement.tagName);

  // load takes in the page as it is now, keeping pictures that are the same.
  const load = async () => {
    if (document.hidden) return;
    if (busy()) { held = held || Date.now(); return; }
    let next;
    try {
      const answer = await fetch(location.pathname + location.search, { credentials: "same-origin", signal: AbortSignal.timeout(15000) });
      if (!answer.ok || answer.redirected) return;
      next = new DOMParser().parseFromString(await answer.text(), "text/html");
    } catch { return; }
    const fresh = next.getElementById("main");
    if (!fresh || busy()) return;
    for (const e of fresh.querySelectorAll("[data-keep]")) {
      const old = [...main().querySelectorAll("[data-keep]")].find((o) => o.outerHTML === e.outerHTML);
      if (old) e.replaceWith(old);
    }
    for (const e of fresh.querySelectorAll(".said, noscript")) e.remove();
    main().replaceWith(fresh);
    const nav = next.querySelector("header nav");
    if (nav) document.querySelector("header nav").replaceWith(nav);
    held = 0;
    show();
  };

  look();
  setInterval(check, 1000);
  document.addEventListener("input", () => { dirty = true; });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) look().then(load); });
  window.addEventListener("pageshow", (e) => { if (e.persisted) look().then(load); });
  document.addEventListener("focusout", () => { if (held) setTimeout(load, 500); });
})();
