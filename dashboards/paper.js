// Printed as wide as it stands on the screen: figures keep their size and their place beside each other.
if (!window.paperIsKnown) {
  window.paperIsKnown = true;
  const PAPER = 718; // A4 less its margins, in CSS pixels
  window.addEventListener("beforeprint", () => {
    const main = document.querySelector("[data-testid=stMainBlockContainer]");
    if (!main) return;
    const look = getComputedStyle(main);
    const wide = main.clientWidth - parseFloat(look.paddingLeft) - parseFloat(look.paddingRight);
    document.documentElement.style.setProperty("--paper", Math.min(PAPER / wide, 1));
  });
}
