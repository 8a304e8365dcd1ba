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
