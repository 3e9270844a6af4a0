// Keeps a page up to date. Without it everything can still be read.
"use strict";
(() => {
  let dirty = false, waiting = false, lostTimer = 0;
  const main = () => document.getElementById("main");
  const busy = () => dirty || document.hidden || main().querySelector("details[open]") ||
    /^(INPUT|SELECT|TEXTAREA|BUTTON)$/.test(document.activeElement.tagName);
  document.addEventListener("input", () => { dirty = true; });

  const lost = (yes) => {
    clearTimeout(lostTimer);
    const show = (v) => { const e = document.getElementById("lost"); if (e) e.hidden = !v; };
    if (yes) lostTimer = setTimeout(() => show(true), 15000); else show(false);
  };

  // load takes in the page as it is now, keeping pictures that are the same.
  const load = async () => {
    if (busy()) { waiting = true; return; }
    waiting = false;
    let answer;
    try { answer = await fetch(location.pathname + location.search, { credentials: "same-origin" }); } catch { return; }
    if (!answer.ok || answer.redirected) return;
    const next = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = next.getElementById("main");
    if (!fresh || busy()) return;
    for (const e of fresh.querySelectorAll("[data-keep]")) {
      const old = [...main().querySelectorAll("[data-keep]")].find((o) => o.outerHTML === e.outerHTML);
      if (old) e.replaceWith(old);
    }
    for (const e of fresh.querySelectorAll(".said")) e.remove();
    main().replaceWith(fresh);
    const nav = next.querySelector("header nav");
    if (nav) document.querySelector("header nav").replaceWith(nav);
  };

  const stream = new EventSource("/events");
  stream.addEventListener("changed", load);
  stream.addEventListener("open", () => lost(false));
  stream.addEventListener("error", () => lost(true));
  document.addEventListener("visibilitychange", () => { if (!document.hidden) load(); });
  document.addEventListener("focusout", () => { if (waiting) setTimeout(load, 500); });
})();
