// A little comfort on top of pages that work without it: a page that says data-renew follows by itself.
"use strict";
(() => {
  const main = document.querySelector("main[data-renew]");
  if (!main || !window.fetch) return;
  const seconds = Math.max(5, Number(main.dataset.renew) || 30);
  const busy = () => document.hidden || main.contains(document.activeElement) || main.querySelector("details[open]");
  const renew = async () => {
    if (busy()) return;
    try {
      const answer = await fetch(location.href, { credentials: "same-origin", redirect: "manual" });
      if (answer.status !== 200) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      const next = fresh.querySelector("main");
      if (!next || busy()) return;
      if (next.innerHTML !== main.innerHTML) main.replaceChildren(...next.childNodes);
      const stamp = document.querySelector(".title-block"), newStamp = fresh.querySelector(".title-block");
      if (stamp && newStamp && stamp.innerHTML !== newStamp.innerHTML) stamp.replaceChildren(...newStamp.childNodes);
    } catch (fault) {
      // No answer: the age in the head tells.
    }
  };
  setInterval(renew, seconds * 1000);
})();

// A realignment follows by itself: an event says that something is new, and the step is fetched.
(() => {
  const main = document.querySelector("main[data-follow]");
  if (!main || !window.EventSource || !window.fetch) return;
  const typing = () => {
    const at = document.activeElement;
    return main.contains(at) && at.matches("input:not([type=hidden]), textarea") && at.value;
  };
  const lost = (is) => { const notice = main.querySelector(".lost"); if (notice) notice.hidden = !is; };
  const fetchStep = async () => {
    if (typing()) return;
    try {
      const answer = await fetch(location.href, { credentials: "same-origin", redirect: "manual" });
      if (answer.status !== 200) { location.reload(); return; }
      const next = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("main");
      if (!next) return;
      if (!next.dataset.follow) { location.reload(); return; }
      main.replaceChildren(...next.childNodes);
      count();
    } catch (fault) { lost(true); }
  };
  let shownAt = Date.now();
  const count = () => { shownAt = Date.now(); };
  setInterval(() => {
    const counts = main.querySelector(".counts");
    if (!counts) return;
    const seconds = Number(counts.dataset.counts) + Math.floor((Date.now() - shownAt) / 1000);
    counts.textContent = Math.floor(seconds / 60) + ":" + String(seconds % 60).padStart(2, "0");
  }, 1000);
  const stream = new EventSource(main.dataset.follow);
  stream.onopen = () => lost(false);
  stream.onmessage = (event) => {
    const shown = main.querySelector("[data-version]");
    if (!shown || shown.dataset.version !== event.data) fetchStep();
  };
  // A stream ends after each event by design; only one that cannot be opened again tells of lost radio.
  let failures = 0;
  stream.onerror = () => { failures += 1; setTimeout(() => { if (stream.readyState !== EventSource.OPEN && failures > 3) lost(true); }, 4000); };
  stream.addEventListener("open", () => { failures = 0; });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) fetchStep(); });
})();
