// A link before everything else: to the answer, past the head of the page.
if (!document.getElementById("skip")) {
  const link = document.createElement("a");
  link.id = "skip";
  link.href = "#answer";
  link.textContent = "Skip to the answer";
  link.addEventListener("click", (event) => {
    event.preventDefault();
    const answer = document.querySelector("h1.answer");
    if (answer) {
      answer.tabIndex = -1;
      answer.focus();
    }
  });
  document.body.prepend(link);
}
