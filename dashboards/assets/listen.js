// Hears from the service what has changed, for as long as somebody looks at the page, and tells the page
// by an event. The service says what has changed and not how: whoever is concerned asks again. Where
// nothing can be heard, the page asks now and then.
"use strict";
(() => {
  const address = document.body.dataset.listens, news = document.getElementById("news");
  if (!address || !window.EventSource) return;
  let source = null, again = 0, last = "";
  const leave = () => {
    clearTimeout(again);
    source?.close();
    source = null;
  };
  const listen = () => {
    if (source || document.hidden) return;
    const at = new URL(address, location.href);
    if (last) at.searchParams.set("after", last);
    const heard = (source = new EventSource(at));
    heard.addEventListener("news", (e) => {
      last = e.lastEventId;
      const detail = JSON.parse(e.data);
      // A page that cannot change its alerts in place says that they have.
      if (news?.dataset.line && (detail.alerts || detail.all) && !news.firstChild) {
        const link = document.createElement("a");
        link.href = location.href.split("#")[0];
        link.textContent = news.dataset.line;
        news.append(link);
      }
      dispatchEvent(new CustomEvent("dewline-news", { detail }));
    });
    heard.onerror = () => {
      if (heard.readyState !== EventSource.CLOSED || heard !== source) return; // it comes back by itself
      leave();
      again = setTimeout(listen, 60e3);
      dispatchEvent(new CustomEvent("dewline-news", { detail: {} })); // the page asks, and hears it where its sign-in is over
    };
  };
  document.addEventListener("visibilitychange", () => (document.hidden ? leave() : listen()));
  addEventListener("pagehide", leave);
  addEventListener("pageshow", listen);
  listen();
})();
