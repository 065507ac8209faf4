"use strict";
/* Makes quicker what works without it: the counter is read again when something has changed. */
(() => {
  const live = () => document.querySelector("[data-live]");
  if (!live() || !window.EventSource) return;
  let first = true;
  let busy = false;
  let again = false;

  const renew = async () => {
    if (busy) { again = true; return; }
    busy = true;
    try {
      const answer = await fetch(location.href, { headers: { accept: "text/html" } });
      if (!answer.ok) return;
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const now = page.querySelector("[data-live]");
      if (!now) return;
      const ticked = new Set([...live().querySelectorAll("input:checked")].map((each) => each.value));
      for (const each of now.querySelectorAll("input[type=checkbox]")) each.checked = ticked.has(each.value);
      const held = document.activeElement;
      const at = held && live().contains(held) ? [held.getAttribute("href"), held.getAttribute("value")] : null;
      live().replaceChildren(...now.childNodes);
      document.title = page.title;
      if (at) {
        const same = [...live().querySelectorAll("a, button, input")]
          .find((each) => each.getAttribute("href") === at[0] && each.getAttribute("value") === at[1]);
        if (same) same.focus({ preventScroll: true });
      }
    } finally {
      busy = false;
      if (again) { again = false; renew(); }
    }
  };

  const events = new EventSource("/events");
  events.onmessage = () => { if (first) first = false; else renew(); };
  events.onerror = () => { first = false; };
})();

/* Files dropped onto a destination go there one after the other, each with its progress. */
(() => {
  const send = (form, file, line) => new Promise((done) => {
    const bar = document.createElement("progress");
    bar.max = 100;
    bar.setAttribute("aria-label", file.name);
    line.append(bar);
    const request = new XMLHttpRequest();
    request.open("PUT", `${form.getAttribute("action")}?called=${encodeURIComponent(file.name)}`);
    request.setRequestHeader("x-desk-token", form.elements.token.value);
    request.upload.onprogress = (event) => { if (event.lengthComputable) bar.value = 100 * event.loaded / event.total; };
    request.onloadend = () => {
      bar.remove();
      const said = request.status === 201 ? "dropped" : (request.responseText.trim() || "broken off; drop it again");
      line.append(`: ${said}`);
      line.classList.toggle("failed", request.status !== 201);
      done();
    };
    request.send(file);
  });

  for (const form of document.querySelectorAll("[data-drop]")) {
    const list = form.querySelector(".coming");
    let queue = Promise.resolve();
    const take = (files) => {
      for (const file of files) {
        const line = document.createElement("li");
        line.textContent = file.name;
        list.append(line);
        queue = queue.then(() => send(form, file, line));
      }
    };
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      take([...form.elements.files.files]);
      form.elements.files.value = "";
    });
    form.addEventListener("dragover", (event) => { event.preventDefault(); form.classList.add("over"); });
    form.addEventListener("dragleave", () => form.classList.remove("over"));
    form.addEventListener("drop", (event) => {
      event.preventDefault();
      form.classList.remove("over");
      take([...event.dataTransfer.files]);
    });
  }
})();
