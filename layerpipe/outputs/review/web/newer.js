// A page on the engineer's own server looks for a newer version of itself.

const LOOK_EVERY_MS = 3000;

async function look() {
  try {
    const response = await fetch(song.served.newest, { cache: "no-store", credentials: "omit" });
    if (response.ok) byId("newer").hidden = (await response.json()).version === song.served.version;
  } catch (refusal) {
    if (!(refusal instanceof TypeError)) throw refusal;
  }
}

async function keepLooking() {
  if (!document.hidden) await look();
  setTimeout(keepLooking, LOOK_EVERY_MS);
}

if (song.served) {
  byId("newer-load").addEventListener("click", () => window.location.reload());
  setTimeout(keepLooking, LOOK_EVERY_MS);
}
