// Where the next point is: the board's photo, drawn larger, with the point in the middle of a ring.

import { el, refill } from "./dom.js";
import { bench } from "./link.js";
import { photoAddress } from "./drawing-photo.js";

const LARGER = 2.6;

export const walkPhoto = () => el("div", { class: "walk-photo" });

export function showWalkPhoto(place, walk) {
  const stop = walk && (walk.is_read && !walk.held ? walk.then : walk.here);
  const drawn = stop && bench.state.points.find((p) => p.name === stop.point && (p.leg ?? "") === stop.leg);
  const at = drawn?.photo && drawn.at?.length === 2 ? drawn.at : null;
  refill(place, at ? [bench.state.unit.drawing, drawn.photo, at] : [], () => {
    if (!at) return [];
    const picture = el("img", { src: photoAddress(bench.state.unit.drawing, drawn.photo), alt: `where ${stop.point} is on the board` });
    const lay = () => {
      const { width, height } = place.getBoundingClientRect();
      const wide = width * LARGER;
      const high = (wide * picture.naturalHeight) / (picture.naturalWidth || 1);
      Object.assign(picture.style, { width: `${wide}px`, left: `${width / 2 - at[0] * wide}px`, top: `${height / 2 - at[1] * high}px` });
    };
    picture.addEventListener("load", lay);
    return picture;
  });
}
