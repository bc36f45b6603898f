// Keys for turning mode and the dim light; each step is a page of its own, so a reload or a dead script loses nothing.
const turned = document.getElementById("turned"), back = document.getElementById("back");

addEventListener("keydown", event => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target.closest("button, a") && (event.key === " " || event.key === "Enter")) return;
  if (event.key === " " || event.key === "Enter") { event.preventDefault(); turned.click(); }
  else if (event.key === "Backspace") { event.preventDefault(); if (!back.disabled) back.click(); }
});

const root = document.documentElement, KEY = "dim";
const kept = () => { try { return sessionStorage.getItem(KEY) === "1"; } catch { return false; } };
const apply = on => { root.toggleAttribute("data-dark", on); try { sessionStorage.setItem(KEY, on ? "1" : "0"); } catch { /* private window */ } };
if (kept()) apply(true);
for (const dim of document.querySelectorAll(".dim")) {
  dim.hidden = false;
  dim.addEventListener("click", event => { event.preventDefault(); apply(!root.hasAttribute("data-dark")); });
}
turned.focus({ preventScroll: true });
