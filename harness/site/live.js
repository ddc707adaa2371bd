"use strict";
(() => {
  const note = document.getElementById("live-note"), calm = note.textContent;
  // A page that was asked for with a search holds a part of the list only: it is fetched whole at once.
  const states = new Map([[location.href, location.search ? "" : document.documentElement.dataset.state]]);
  const parts = [location.href];
  if (document.getElementById("now")) parts.push(new URL("now.html", location.href).href);
  const say = (text) => { if (note.textContent !== text) note.textContent = text; };
  // Rows of units that are newer take the place of what there was of these units; a further run comes first.
  const merge = (list, part) => {
    const rows = Array.from(part.querySelectorAll("tbody tr")), first = list.querySelector("tbody");
    const fresh = [];
    for (const row of rows) {
      const link = list.querySelector(`a[href="${row.querySelector("a").getAttribute("href")}"]`);
      const old = link && link.closest("tr");
      if (old && old.cells[4].textContent === row.cells[4].textContent) old.replaceWith(row);
      else { if (old) old.remove(); fresh.push(row); }
    }
    first.prepend(...fresh);
    return rows.length > 0;
  };
  // How long ago the last sign of life was tells whether a run goes on.
  const ago = () => {
    for (const one of document.querySelectorAll("#now time")) {
      const passed = Math.max(0, Math.floor((Date.now() - Date.parse(one.dateTime)) / 1000));
      const [size, unit] = passed < 120 ? [1, "s"] : passed < 7200 ? [60, "min"] : [3600, "h"];
      const clock = one.dateTime.slice(0, 19).replace("T", " ");
      one.textContent = `${clock}, ${Math.floor(passed / size)} ${unit} ago`;
    }
  };
  const take = (page) => {
    const held = document.activeElement && document.activeElement.getAttribute("href");
    let newer = false;
    for (const part of page.querySelectorAll("[data-live]")) {
      const here = document.getElementById(part.id);
      if (part.hasAttribute("data-newer") && here.querySelector("tbody")) {
        newer = merge(here, part) || newer;
        continue;
      }
      if (!here || here.outerHTML === part.outerHTML) continue;
      const open = new Set(Array.from(here.querySelectorAll("details[open]"), (one) => one.id));
      for (const one of part.querySelectorAll("details[id]")) if (open.has(one.id)) one.open = true;
      here.replaceWith(document.adoptNode(part));
      newer = true;
    }
    if (!newer) return;
    ago();
    if (held && document.activeElement === document.body) {
      const again = Array.from(document.links).find((link) => link.getAttribute("href") === held);
      if (again) again.focus({ preventScroll: true });
    }
    document.dispatchEvent(new Event("newer"));
  };
  const look = async () => {
    if (document.hidden) return;
    try {
      for (const part of parts) {
        const state = states.get(part) || "";
        const list = new URLSearchParams({ list: state.replaceAll('"', "") });
        const url = part === location.href ? `${location.pathname}?${list}` : part;
        const headers = state ? { "If-None-Match": state } : {};
        const answer = await fetch(url, { cache: "no-store", headers });
        if (answer.status === 304) continue;
        if (!answer.ok) throw new Error(String(answer.status));
        states.set(part, answer.headers.get("ETag"));
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        if (page.title && part === location.href) document.title = page.title;
        take(page);
      }
      say(calm);
    } catch {
      say("No connection to the records; this is their last known state.");
    }
  };
  const again = async () => { await look(); ago(); setTimeout(again, 2000); };
  ago();
  setTimeout(again, 2000);
})();
