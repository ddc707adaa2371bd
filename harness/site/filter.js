"use strict";
(() => {
  const form = document.getElementById("find"), said = document.getElementById("said");
  const known = new WeakMap();
  let chunks = [];
  const look = (row) => {
    if (!known.has(row)) {
      known.set(row, { row, text: row.textContent.toLowerCase(), passed: row.cells[1].className === "pass" });
    }
    return known.get(row);
  };
  const read = () => {
    chunks = Array.from(document.querySelectorAll("#list .chunk"), (chunk) => ({
      chunk, rows: Array.from(chunk.querySelector("tbody").rows, look),
    }));
  };
  const filter = () => {
    const words = form.q.value.toLowerCase().split(/\s+/).filter(Boolean), bad = form.bad.checked;
    let shown = 0, all = 0;
    for (const { chunk, rows } of chunks) {
      let here = 0;
      for (const one of rows) {
        const keep = !(bad && one.passed) && words.every((word) => one.text.includes(word));
        if (one.row.hidden === keep) one.row.hidden = !keep;
        here += keep;
      }
      if (chunk.hidden !== !here) chunk.hidden = !here;
      chunk.style.setProperty("--rows", here);
      shown += here;
      all += rows.length;
    }
    // The same words again would be read out again.
    const text = words.length || bad ? `${shown} of ${all} units` : "";
    if (said.textContent !== text) said.textContent = text;
  };
  form.hidden = false;
  // Whoever comes back from a unit finds the list as it was.
  if (history.state && "q" in history.state) {
    form.q.value = history.state.q;
    form.bad.checked = history.state.bad;
  }
  form.addEventListener("input", () => {
    filter();
    history.replaceState({ q: form.q.value, bad: form.bad.checked }, "");
  });
  form.addEventListener("submit", (event) => { event.preventDefault(); filter(); });
  document.addEventListener("newer", () => { read(); filter(); });
  read();
  if (form.q.value || form.bad.checked) filter();
})();
