  // Order and filter, as `tools` say.
  const takesOf = (section) => [...section.querySelectorAll(".take")];
  const rating = (item) => parseFloat(item.querySelector(".rating").value) || 0;
  const orders = {
    place: (a, b) => a.dataset.place - b.dataset.place,
    number: (a, b) => a.dataset.number - b.dataset.number,
    rating: (a, b) => rating(b) - rating(a) || a.dataset.place - b.dataset.place,
  };
  const arrange = () => {
    const order = orders[tools.querySelector("#order").value];
    const shown = [...tools.querySelectorAll(".show:checked")].map((box) => box.value);
    const onlyCircled = tools.querySelector("#only-circled").checked;
    sections.forEach((section) => {
      takesOf(section).sort(order).forEach((item) => {
        item.parentNode.append(item);
        item.hidden = !shown.includes(item.dataset.verdict) || (onlyCircled && !item.querySelector(".circled").checked);
      });
    });
  };
  tools.addEventListener("change", arrange, { signal });
