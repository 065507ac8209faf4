"use strict";
(() => {
  const pair = document.getElementById("pair");
  const divider = document.getElementById("divider");
  const apart = document.getElementById("apart");
  const larger = document.getElementById("larger");
  const picture = pair.querySelector("img");
  let share = 50;

  const place = (percent) => {
    share = Math.min(100, Math.max(0, percent));
    const whole = Math.round(share);
    pair.style.setProperty("--split", `${share}%`);
    divider.setAttribute("aria-valuenow", String(whole));
    divider.setAttribute("aria-valuetext", `${whole} % as finished, ${100 - whole} % as it will print`);
  };

  const follow = (event) => {
    const box = divider.getBoundingClientRect();
    place((100 * (event.clientX - box.left)) / box.width);
  };

  const steps = {
    ArrowLeft: -2, ArrowDown: -2, ArrowRight: 2, ArrowUp: 2,
    PageDown: -10, PageUp: 10, Home: -100, End: 100,
  };

  const stack = (together) => {
    pair.classList.toggle("stacked", together);
    divider.hidden = !together;
    apart.setAttribute("aria-pressed", String(!together));
  };

  // one pixel of a picture is one of the screen's, or less: nothing is stretched
  const natural = (image) => image.getAttribute("width") / window.devicePixelRatio;
  const fit = () => {
    pair.style.setProperty("--natural", `${natural(picture)}px`);
    const large = document.querySelector(".places.large") !== null;
    for (const image of document.querySelectorAll(".place img")) {
      image.style.width = `${(large ? 3 : 1) * natural(image)}px`;
    }
  };
  fit();
  window.addEventListener("resize", fit);
  pair.style.setProperty("--shape", String(picture.getAttribute("width") / picture.getAttribute("height")));
  for (const each of document.querySelectorAll(".controls")) each.hidden = false;
  stack(true);
  place(50);

  apart.addEventListener("click", () => stack(!pair.classList.contains("stacked")));
  divider.addEventListener("keydown", (event) => {
    if (!(event.key in steps) || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    place(share + steps[event.key]);
  });
  pair.addEventListener("pointerdown", (event) => {
    if (!pair.classList.contains("stacked") || event.button !== 0) return;
    event.preventDefault();
    pair.setPointerCapture(event.pointerId);
    divider.focus({ preventScroll: true });
    follow(event);
  });
  pair.addEventListener("pointermove", (event) => {
    if (pair.hasPointerCapture(event.pointerId)) follow(event);
  });

  if (larger) {
    const places = document.querySelector(".places");
    larger.addEventListener("click", () => {
      const large = places.classList.toggle("large");
      larger.setAttribute("aria-pressed", String(large));
      fit();
    });
  }
})();
