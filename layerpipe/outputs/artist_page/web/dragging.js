// A finger changes a slider only when it moves sideways or taps; swiping up or down scrolls the page. A mouse changes it
// at once.

const DEAD_ZONE_PX = 8;

// `area` holds the slider `input`. With `relative` a finger moves the level from where it is, wherever it touches.
function dragSlider(area, input, { relative = false, thumbPx = 2 } = {}) {
  let drag = null;

  const perPixel = () => (input.max - input.min) / Math.max(input.getBoundingClientRect().width - thumbPx, 1);
  const valueAt = (x) => Number(input.min) + (x - input.getBoundingClientRect().left - thumbPx / 2) * perPixel();
  const change = (value) => {
    const before = input.value;
    input.value = value;
    if (input.value !== before) input.dispatchEvent(new Event("input", { bubbles: true }));
  };
  const follow = (event) => change(relative && drag.finger ? drag.value + (event.clientX - drag.x) * perPixel() : valueAt(event.clientX));
  const begin = () => {
    drag.active = true;
    area.setPointerCapture(drag.id);
    area.classList.add("dragged");
  };
  const end = () => {
    drag = null;
    area.classList.remove("dragged");
  };

  area.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || !event.isPrimary) return;
    const finger = event.pointerType !== "mouse";
    drag = { id: event.pointerId, x: event.clientX, y: event.clientY, value: Number(input.value), active: false, finger };
    if (finger) return;
    event.preventDefault();
    input.focus();
    begin();
    follow(event);
  });
  area.addEventListener("pointermove", (event) => {
    if (drag?.id !== event.pointerId) return;
    if (!drag.active) {
      const [across, along] = [Math.abs(event.clientX - drag.x), Math.abs(event.clientY - drag.y)];
      if (Math.max(across, along) < DEAD_ZONE_PX) return;
      if (along >= across) {
        end();
        return;
      }
      drag.x = event.clientX;
      begin();
    }
    follow(event);
  });
  area.addEventListener("pointerup", (event) => {
    if (drag?.id !== event.pointerId) return;
    if (!drag.active) change(valueAt(event.clientX));
    end();
  });
  area.addEventListener("pointercancel", (event) => {
    if (drag?.id === event.pointerId) end();
  });
}
