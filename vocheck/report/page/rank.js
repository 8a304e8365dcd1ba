  // Order and filter
  const takesOf = (section) => [...section.querySelectorAll(".take")];
  const rating = (item) => parseFloat(item.querySelector(".rating").value) || 0;
  const orders = {
    place: (a, b) => a.dataset.place - b.dataset.place,
    number: (a, b) => a.dataset.number - b.dataset.number,
    rating: (a, b) => rating(b) - rating(a) || a.dataset.place - b.dataset.place,
  };
  const arrange = () => {
    const order = orders[document.getElementById("order").value];
    const shown = [...document.querySelectorAll(".show:checked")].map((box) => box.value);
    const onlyCircled = document.getElementById("only-circled").checked;
    sections.forEach((section) => {
      takesOf(section).sort(order).forEach((item) => {
        item.parentNode.append(item);
        item.hidden = !shown.includes(item.dataset.verdict) || (onlyCircled && !item.querySelector(".circled").checked);
      });
    });
  };
  document.querySelector(".tools").addEventListener("change", arrange);

  // Notes, saved as the CSV that vocheck reads
  document.getElementById("save").addEventListener("click", () => {
    const rows = sections.flatMap((section) => takesOf(section).sort(orders.number).map((item) => [
      item.dataset.key,
      item.querySelector(".circled").checked ? "x" : "",
      item.querySelector(".rating").value,
      item.querySelector(".remark").value.trim(),
    ]));
    save("notes.csv", [["take", "circled", "rating", "remark"], ...rows]);
    document.getElementById("saved").textContent = "Saved as notes.csv: put it beside the takes.";
  });
