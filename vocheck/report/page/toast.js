// Says in a line at the bottom what was done, and offers to undo it.
const toast_ = document.getElementById("toast"), button = document.getElementById("undo");
let timer = 0, back = null;

button.addEventListener("click", () => { toast_.hidden = true; back?.(); });

export const toast = (words, { undo = null, wrong = false } = {}) => {
  clearTimeout(timer);
  toast_.firstElementChild.textContent = words;
  toast_.classList.toggle("wrong", wrong);
  back = undo;
  button.hidden = undo === null;
  toast_.hidden = false;
  // What went wrong stays until something else is said.
  if (!wrong) timer = setTimeout(() => { toast_.hidden = true; }, 10000);
};
