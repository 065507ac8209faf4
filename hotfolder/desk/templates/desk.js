"use strict";
/* Makes quicker what works without it: a page follows what happens, part by part. */
(() => {
  /* Change only what differs, so that focus, ticks and words that are being written stay. */
  const keyOf = (node) => node.nodeType === 1 ? node.getAttribute("data-key") || node.id : "";
  const follow = (old, now) => {
    if (old.isEqualNode(now)) return;
    if (old.nodeType !== 1 || now.nodeType !== 1 || old.nodeName !== now.nodeName) {
      old.replaceWith(document.importNode(now, true));
      return;
    }
    for (const each of [...old.attributes]) {
      if (!now.hasAttribute(each.name) && !["style", "tabindex"].includes(each.name)) old.removeAttribute(each.name);
    }
    for (const each of now.attributes) {
      if (old.getAttribute(each.name) !== each.value) old.setAttribute(each.name, each.value);
    }
    const kept = new Map();
    for (const each of old.children) if (keyOf(each)) kept.set(keyOf(each), each);
    let at = old.firstChild;
    for (const wanted of [...now.childNodes]) {
      const key = keyOf(wanted);
      let same = key ? kept.get(key) : at;
      if (!key && same && keyOf(same)) same = null;
      if (!same || same.nodeType !== wanted.nodeType || same.nodeName !== wanted.nodeName) {
        old.insertBefore(document.importNode(wanted, true), at);
        continue;
      }
      if (same === at) at = at.nextSibling;
      else old.insertBefore(same, at);
      follow(same, wanted);
    }
    while (at) {
      const next = at.nextSibling;
      at.remove();
      at = next;
    }
  };

  let busy = false;
  let again = false;
  const renew = async () => {
    if (busy) { again = true; return; }
    busy = true;
    try {
      const answer = await fetch(location.href, { headers: { accept: "text/html" } });
      if (answer.status === 401) location.reload();
      if (!answer.ok) return;
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const pairs = [...document.querySelectorAll("[data-live], [data-poll]")];
      const now = [...page.querySelectorAll("[data-live], [data-poll], main > div:first-child")];
      if (now[0] && now[0].dataset.pictures !== pairs[0].dataset.pictures) { location.reload(); return; }
      pairs.forEach((old, number) => { if (now[number]) follow(old, now[number]); });
      document.title = page.title;
      document.dispatchEvent(new Event("renewed"));
    } catch {
      again = false; /* the desk is away; its stream says when it is back */
    } finally {
      busy = false;
      if (again) { again = false; renew(); }
    }
  };

  const live = document.querySelector("[data-live]");
  if (live && window.EventSource) {
    /* what was there when the page was made may have changed since: the first word counts too */
    let last = "";
    const events = new EventSource(`/events?${live.dataset.live || location.search.slice(1)}`);
    const away = document.getElementById("away");
    events.onopen = () => { away.hidden = true; };
    events.onerror = () => { away.hidden = false; };
    events.onmessage = (event) => { if (event.data !== last) { last = event.data; renew(); } };
  }
  const poll = async () => {
    if (!document.querySelector("[data-poll]")) return;
    await renew();
    setTimeout(poll, 700);
  };
  if (document.querySelector("[data-poll]")) setTimeout(poll, 500);
})();

/* A frame whose picture is not there says so, instead of staying empty. */
(() => {
  const sayNone = (image) => {
    if (!image.matches(".print img")) return;
    const none = document.createElement("span");
    none.className = "none";
    none.textContent = "no small picture";
    image.parentNode.classList.add("bare");
    image.replaceWith(none);
  };
  document.addEventListener("error", (event) => { if (event.target instanceof HTMLImageElement) sayNone(event.target); }, true);
  for (const image of document.querySelectorAll(".print img")) if (image.complete && !image.naturalWidth) sayNone(image);
})();

/* The desktop says what is new while a page of the desk is open, if a person has asked for it. */
(() => {
  const WANTED = "hotfolder-desk-told", KNOWN = "hotfolder-desk-known", EVERY_MS = 10000;
  const part = document.querySelector("[data-told]");
  const canTell = "Notification" in window && "locks" in navigator;
  const isWanted = () => canTell && Notification.permission === "granted" && localStorage.getItem(WANTED) === "yes";
  const show = (notice) => {
    /* a browser shows both as text; one with the same tag takes the place of the earlier one */
    const made = new Notification(notice.title, { body: notice.text, tag: notice.tag, icon: "/static/desk.svg" });
    made.onclick = () => { window.focus(); location.assign(notice.to); };
  };
  const ask = async () => {
    const known = JSON.parse(localStorage.getItem(KNOWN) || "{}");
    const answer = await fetch(`/notices?${new URLSearchParams(known)}`);
    if (!answer.ok) return;
    const { desk, last, notices } = await answer.json();
    localStorage.setItem(KNOWN, JSON.stringify({ desk, after: last }));
    for (const each of notices) show(each);
  };
  const look = async () => {
    if (!isWanted()) return;
    /* of several pages one asks: none of them is told what another has said */
    await navigator.locks.request("hotfolder-desk-notices", { ifAvailable: true }, (lock) => (lock ? ask().catch(() => {}) : null));
  };
  const say = () => {
    if (!part) return;
    const button = part.querySelector("button"), line = part.querySelector("[data-told-says]");
    part.hidden = !canTell;
    if (!canTell) return;
    const isDenied = Notification.permission === "denied";
    button.parentNode.hidden = isDenied;
    button.textContent = isWanted() ? "Stop telling me" : "Tell me on this desktop";
    line.textContent = isDenied ? "This browser lets no page of the desk tell you anything. Its settings for this address change that."
      : isWanted() ? "When something new waits, a batch ends or a share is away, this desktop says so, as long as a page of the desk is open."
      : "A page of the desk that is open can tell you on this desktop when something new waits, a batch ends or a share is away.";
  };
  if (part && canTell) {
    part.querySelector("button").addEventListener("click", async () => {
      if (isWanted()) localStorage.removeItem(WANTED);
      else if (await Notification.requestPermission() === "granted") {
        localStorage.setItem(WANTED, "yes");
        localStorage.removeItem(KNOWN); /* what is there already is no news */
      }
      say();
      look();
    });
  }
  say();
  if (canTell) {
    look();
    setInterval(look, EVERY_MS);
  }
})();

/* Colours under the pointer, on all sides at once, from numbers that the proof was made with. */
(() => {
  const D50 = [0.9642, 1, 0.8249];
  const toXyz = ([L, a, b]) => {
    const y = (L + 16) / 116;
    return [y + a / 500, y, y - b / 200].map((f, i) => D50[i] * (f > 6 / 29 ? f ** 3 : 3 * (6 / 29) ** 2 * (f - 4 / 29)));
  };
  const toLab = (xyz) => {
    const [x, y, z] = xyz.map((v, i) => v / D50[i]).map((t) => (t > (6 / 29) ** 3 ? Math.cbrt(t) : t / (3 * (6 / 29) ** 2) + 4 / 29));
    return [116 * y - 16, 500 * (x - y), 200 * (y - z)];
  };
  /* ISO/CIE 11664-6:2014 */
  const difference = ([L1, a1, b1], [L2, a2, b2]) => {
    const rad = Math.PI / 180;
    const mean = (Math.hypot(a1, b1) + Math.hypot(a2, b2)) / 2;
    const G = 0.5 * (1 - Math.sqrt(mean ** 7 / (mean ** 7 + 25 ** 7)));
    const A1 = (1 + G) * a1, A2 = (1 + G) * a2;
    const C1 = Math.hypot(A1, b1), C2 = Math.hypot(A2, b2);
    const hue = (a, b) => (a === 0 && b === 0 ? 0 : (Math.atan2(b, a) / rad + 360) % 360);
    const h1 = hue(A1, b1), h2 = hue(A2, b2);
    const grey = C1 * C2 === 0;
    let dh = grey ? 0 : h2 - h1;
    if (dh > 180) dh -= 360;
    if (dh < -180) dh += 360;
    const dL = L2 - L1, dC = C2 - C1, dH = 2 * Math.sqrt(C1 * C2) * Math.sin(dh / 2 * rad);
    const L = (L1 + L2) / 2, C = (C1 + C2) / 2;
    let h = h1 + h2;
    if (!grey) h = Math.abs(h1 - h2) <= 180 ? h / 2 : (h < 360 ? h + 360 : h - 360) / 2;
    const T = 1 - 0.17 * Math.cos((h - 30) * rad) + 0.24 * Math.cos(2 * h * rad)
      + 0.32 * Math.cos((3 * h + 6) * rad) - 0.2 * Math.cos((4 * h - 63) * rad);
    const SL = 1 + 0.015 * (L - 50) ** 2 / Math.sqrt(20 + (L - 50) ** 2);
    const SC = 1 + 0.045 * C, SH = 1 + 0.015 * C * T;
    const RT = -2 * Math.sqrt(C ** 7 / (C ** 7 + 25 ** 7)) * Math.sin(60 * Math.exp(-(((h - 275) / 25) ** 2)) * rad);
    const l = dL / SL, c = dC / SC, H = dH / SH;
    return Math.sqrt(l * l + c * c + H * H + RT * c * H);
  };
  window.deskColours = { difference };

  const say = (value) => {
    const text = Math.abs(value) < 0.05 ? "0.0" : value.toFixed(1);
    return text.replace("-", "−");
  };
  const read = async (address) => {
    const answer = await fetch(address);
    if (!answer.ok) return null;
    const view = new DataView(await answer.arrayBuffer());
    const at = (number) => view.getInt16(2 * number, true);
    const [width, height] = [at(1), at(2)];
    const white = toXyz([at(3) / 100, at(4) / 100, at(5) / 100]);
    const lab = (side, across, down) => {
      const x = Math.min(width - 1, Math.floor(across * width)), y = Math.min(height - 1, Math.floor(down * height));
      return [0, 1, 2].map((plane) => at(6 + (side + plane) * width * height + y * width + x) / 10);
    };
    return {
      finished: (across, down) => lab(0, across, down),
      made: (across, down) => lab(3, across, down),
      measured: (across, down) => toLab(toXyz(lab(3, across, down)).map((v, i) => v * white[i] / D50[i])),
    };
  };

  const numbers = new Map();
  const numbersOf = (figure) => {
    const address = figure.dataset.numbers;
    if (address && !numbers.has(address)) {
      numbers.set(address, null);
      read(address).then((found) => { numbers.set(address, found); }, () => numbers.delete(address));
    }
    return numbers.get(address);
  };
  const boxOf = (text) => (text ? text.split(" ").map(Number) : null);
  const wired = new WeakSet();
  const places = []; /* that the person has marked: shares of the original */

  const show = (section, point, aloud) => {
    const isAdapted = Boolean(document.querySelector("#look-adapted:checked"));
    const words = [];
    let first = null;
    for (const figure of section.querySelectorAll("figure[data-side]")) {
      const mat = figure.querySelector(".mat");
      let cross = mat.querySelector(".cross");
      if (!cross) {
        cross = document.createElement("span");
        cross.className = "cross";
        mat.append(cross);
      }
      const [left, top, width, height] = boxOf(figure.dataset.face);
      const across = (left + point[0] * width) / 100, down = (top + point[1] * height) / 100;
      const isInside = across >= 0 && across <= 1 && down >= 0 && down <= 1;
      cross.hidden = !isInside;
      cross.style.left = `${100 * across}%`;
      cross.style.top = `${100 * down}%`;
      const found = numbersOf(figure);
      const out = figure.querySelector("[data-lab]");
      if (!found || !isInside) { out.textContent = ""; continue; }
      const side = figure.dataset.side;
      const lab = side === "finished" ? found.finished(across, down)
        : isAdapted ? found.made(across, down) : found.measured(across, down);
      const reference = first || (side === "made" ? found.finished(across, down) : null);
      const values = `L* ${say(lab[0])}   a* ${say(lab[1])}   b* ${say(lab[2])}`;
      const change = reference ? `   ΔE00 ${say(difference(reference, lab))}` : "";
      if (side === "finished") first = lab;
      out.textContent = values + change;
      words.push(`${figure.querySelector("strong").textContent}: ${(values + change).replace(/ +/g, " ")}`);
    }
    if (aloud && words.length) {
      section.closest(".compare").querySelector("[data-spoken]").textContent =
        `${Math.round(100 * point[0])} % across, ${Math.round(100 * point[1])} % down. ${words.join(". ")}.`;
    }
  };

  const sayMarked = () => {
    const line = document.querySelector("[data-marked]");
    if (!line) return;
    line.hidden = places.length === 0;
    line.replaceChildren();
    for (const [across, down] of places) {
      const field = document.createElement("input");
      field.type = "hidden";
      field.name = "at";
      field.value = `${across.toFixed(4)},${down.toFixed(4)}`;
      line.append(field);
    }
    const which = places.length === 1 ? "one place, which is" : `${places.length} places, which are`;
    if (places.length) line.append(`You marked ${which} shown pixel by pixel in what you ask for next; with nothing chosen, in the picture as it stands.`);
  };
  const drawMarks = (section) => {
    for (const figure of section.querySelectorAll("figure[data-original]")) {
      const mat = figure.querySelector(".mat");
      mat.querySelectorAll(".mark").forEach((each) => each.remove());
      const [left, top, width, height] = boxOf(figure.dataset.original);
      places.forEach(([across, down], number) => {
        const mark = document.createElement("span");
        mark.className = "mark";
        mark.textContent = number + 1;
        mark.style.left = `${left + across * width}%`;
        mark.style.top = `${top + down * height}%`;
        mat.append(mark);
      });
    }
  };
  const toggleMark = (section, figure, point) => {
    const original = boxOf(figure.dataset.original);
    if (!original || !document.querySelector("[data-marked]")) return;
    const face = boxOf(figure.dataset.face);
    const [across, down] = [0, 1].map((axis) => {
      const at = face[axis] + point[axis] * face[axis + 2];
      return Math.min(1, Math.max(0, (at - original[axis]) / original[axis + 2]));
    });
    const near = places.findIndex(([x, y]) => Math.hypot(x - across, y - down) < 0.03);
    if (near >= 0) places.splice(near, 1);
    else {
      if (places.length === 4) places.shift();
      places.push([across, down]);
    }
    drawMarks(section);
    sayMarked();
  };

  const begin = () => {
    for (const flag of document.querySelectorAll(".flag[data-left]")) {
      flag.style.left = `${flag.dataset.left}%`;
      flag.style.top = `${flag.dataset.top}%`;
      flag.hidden = false;
    }
    for (const section of document.querySelectorAll("[data-proof]")) {
      if (!section.querySelector("figure[data-numbers]")) continue;
      const line = section.closest(".compare").querySelector("[data-reading]");
      if (line) line.hidden = false;
      for (const figure of section.querySelectorAll("figure[data-side]")) {
        const mat = figure.querySelector(".mat");
        mat.tabIndex = 0;
        numbersOf(figure);
        if (wired.has(mat)) continue;
        wired.add(mat);
        let point = [0.5, 0.5];
        const pointAt = (event) => {
          const area = mat.getBoundingClientRect();
          const [left, top, width, height] = boxOf(figure.dataset.face);
          return [(100 * (event.clientX - area.left) / area.width - left) / width, (100 * (event.clientY - area.top) / area.height - top) / height];
        };
        mat.addEventListener("pointermove", (event) => show(section, pointAt(event), false));
        mat.addEventListener("click", (event) => {
          point = pointAt(event);
          show(section, point, false);
          toggleMark(section, figure, point);
        });
        mat.addEventListener("focus", () => { if (mat.matches(":focus-visible")) show(section, point, true); });
        mat.addEventListener("keydown", (event) => {
          const step = event.shiftKey ? 0.1 : 0.01;
          const by = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
          if (by) {
            point = point.map((each, axis) => Math.min(1, Math.max(0, each + by[axis])));
            show(section, point, true);
          } else if (event.key === "Enter") toggleMark(section, figure, point);
          else return;
          event.preventDefault();
        });
      }
    }
    for (const place of document.querySelectorAll(".places .two")) {
      /* pieces that are larger than the page are moved together */
      const frames = [...place.querySelectorAll(".frame")];
      for (const frame of frames) {
        frame.onscroll = () => {
          for (const other of frames) {
            if (other !== frame && (other.scrollLeft !== frame.scrollLeft || other.scrollTop !== frame.scrollTop)) other.scrollTo(frame.scrollLeft, frame.scrollTop);
          }
        };
      }
    }
  };
  begin();
  document.addEventListener("renewed", () => {
    begin();
    for (const section of document.querySelectorAll("[data-proof]")) drawMarks(section);
    sayMarked();
  });
})();

/* Files dropped onto a destination go there one after the other, each with its progress; XMP
   sidecars first, as a picture may be taken as soon as it is there. */
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
    const isSidecar = (file) => file.name.toLowerCase().endsWith(".xmp");
    const take = (files) => {
      for (const file of files.sort((one, other) => isSidecar(other) - isSidecar(one))) {
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

/* Which gamut the browser claims goes along with what a person answers about a display. */
(() => {
  const field = document.querySelector("[data-gamut]");
  if (field) field.value = ["rec2020", "p3", "srgb"].find((each) => matchMedia(`(color-gamut: ${each})`).matches) || "none";
})();
