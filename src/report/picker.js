"use strict";
(() => {
  const form = document.getElementById("pick");
  const list = document.getElementById("shot-list");
  const said = document.getElementById("picked");
  const shots = Array.from(list.querySelectorAll("article.shot"));
  const number = (shot, key) => Number(shot.dataset[key]);
  const orders = {
    cut: (a, b) => number(a, "at") - number(b, "at"),
    urgent: (a, b) => number(a, "urgency") - number(b, "urgency"),
    frames: (a, b) => number(b, "frames") - number(a, "frames"),
    name: (a, b) => a.dataset.shot.localeCompare(b.dataset.shot, "en", { numeric: true }),
    verdict: (a, b) => number(a, "rank") - number(b, "rank"),
  };
  const pick = () => {
    const words = form.elements.find.value.toLowerCase().split(/\s+/).filter(Boolean);
    const verdicts = new Set(
      Array.from(form.querySelectorAll("[name=verdict]:checked"), (box) => box.value));
    const waiting = form.elements.waiting.checked;
    let shown = 0;
    for (const shot of shots) {
      const fits = words.every((word) => shot.dataset.find.includes(word))
        && verdicts.has(shot.dataset.verdict)
        && !(waiting && number(shot, "urgency") > 3);
      shot.hidden = !fits;
      shown += fits ? 1 : 0;
    }
    said.textContent = `${shown} of ${shots.length} shots shown`;
  };
  const order = () => {
    const compare = orders[form.elements.order.value];
    list.append(...shots.slice().sort((a, b) => compare(a, b) || orders.cut(a, b)));
  };
  const open = (all) => shots.forEach((shot) => {
    const more = shot.querySelector("details");
    if (more && !(all && shot.hidden)) more.open = all;
  });
  const goTo = () => {
    const shot = document.getElementById(location.hash.slice(1));
    if (!shot || !shots.includes(shot)) return;
    if (shot.hidden) { form.reset(); pick(); order(); }
    const more = shot.querySelector("details");
    if (more) more.open = true;
    shot.scrollIntoView();
  };
  form.hidden = false;
  form.addEventListener("input", pick);
  form.elements.order.addEventListener("change", order);
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("reset", () => setTimeout(() => { pick(); order(); }));
  document.getElementById("open-all").addEventListener("click", () => open(true));
  document.getElementById("close-all").addEventListener("click", () => open(false));
  document.addEventListener("input", (event) => {
    const slider = event.target;
    if (slider.matches(".wipe input")) {
      slider.parentElement.style.setProperty("--at", `${slider.value}%`);
    }
  });
  addEventListener("hashchange", goTo);
  addEventListener("beforeprint", () => open(true));
  pick();
  goTo();
})();
