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
