// Play buttons play in place; without script the link opens the recording. The line starts at its newest end.
const line = document.querySelector(".line-of-states");
if (line) line.scrollLeft = line.scrollWidth;

const player = new Audio();
let playing = null;
const rest = () => { if (playing) { playing.textContent = playing.dataset.words; playing = null; } };
player.addEventListener("ended", rest);
player.addEventListener("error", rest);
for (const link of document.querySelectorAll("a.play")) {
  link.dataset.words = link.textContent;
  link.setAttribute("role", "button");
  link.addEventListener("click", event => {
    event.preventDefault();
    const again = playing === link;
    player.pause();
    rest();
    if (again) return;
    player.src = link.href;
    player.play().catch(rest);
    playing = link;
    link.textContent = "Stop";
  });
}
