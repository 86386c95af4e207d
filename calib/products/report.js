"use strict";

for (const slider of document.querySelectorAll(".compare input")) {
  const move = () => slider.parentElement.style.setProperty("--at", `${slider.value}%`);
  slider.addEventListener("input", move);
  move();
}

for (const box of document.querySelectorAll(".legend input")) {
  box.addEventListener("change", () => {
    const layer = box.closest(".flags").querySelector(`.flag[data-bit="${box.value}"]`);
    if (layer) layer.hidden = !box.checked;
  });
}

const links = new Map([...document.querySelectorAll(".rail a")].map((a) => [a.hash.slice(1), a]));
const watcher = new IntersectionObserver(
  (entries) => {
    for (const entry of entries) {
      if (!entry.isIntersecting) continue;
      for (const link of links.values()) link.removeAttribute("aria-current");
      links.get(entry.target.id)?.setAttribute("aria-current", "true");
    }
  },
  { rootMargin: "-10% 0px -75% 0px" },
);
for (const section of document.querySelectorAll("main > section")) watcher.observe(section);
