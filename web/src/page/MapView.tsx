// The map on the page: made once, then told what changed.

import { effect } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import { bindMap } from "../edit/gestures";
import { createMap, type Sheet } from "../map/sheet";
import type { StyleOptions } from "../map/style";
import { distanceM } from "../tour/ground";
import type { RegionInfo } from "../types/RegionInfo";
import { onMap } from "./actions";
import * as roads from "./roads";
import * as state from "./state";
import * as taste from "./taste";

export let sheet: Sheet | undefined;

function optionsOf(r: RegionInfo): StyleOptions {
  return {
    region: r.name,
    id: r.id,
    tileBase: location.origin,
    // The credit stands in the page's foot, where it is never folded away.
    attribution: null,
    units: state.units.value === "miles" ? "imperial" : "metric",
    hasRelief: r.has_heights,
    hasCoast: false,
    shade: taste.shade.value,
    taste: taste.shadedBy.value,
  };
}

export function MapView() {
  const box = useRef<HTMLDivElement>(null);
  useEffect(() => {
    const region = state.region.value;
    if (!box.current || !region) return;
    const palette = () => (state.dark.value ? "night" : "day");
    const made = createMap(box.current, palette(), optionsOf(region), region.bounds_deg);
    sheet = made;
    const { map } = made;
    window.lacet.map = map;
    const view = state.rememberedView();
    if (view?.region === region.name) map.jumpTo({ center: [view.lon, view.lat], zoom: view.zoom });
    map.getCanvas().setAttribute("aria-label", "Map. Arrow keys move it, Enter asks about the middle.");

    const gentle = matchMedia("(prefers-reduced-motion: reduce)");
    const motion = () => (gentle.matches ? { duration: 0 } : { duration: 450 });
    state.onMap.fit = ([w, s, e, n]) => {
      const wide = map.getCanvas().clientWidth;
      const right = wide > 800 ? 380 : 40;
      map.fitBounds([w, s, e, n] as [number, number, number, number], {
        // Clear of what lies over the map: the finder, the legend, the card.
        padding: { top: 80, bottom: map.getCanvas().clientHeight > 520 ? 110 : 40, left: 50, right },
        maxZoom: 14,
        ...motion(),
      });
    };
    onMap.fly = ([lat, lon], zoom) => {
      const box = map.getCanvas().getBoundingClientRect();
      const p = map.project([lon, lat]);
      const seen = p.x > 40 && p.y > 70 && p.x < box.width - 40 && p.y < box.height - 40;
      if (zoom === undefined && seen) return;
      map.easeTo({ center: [lon, lat], zoom: Math.max(map.getZoom(), zoom ?? 0), ...motion() });
    };
    onMap.zoom = (by) => map.easeTo({ zoom: map.getZoom() + by, ...motion() });
    onMap.middle = () => [map.getCenter().lat, map.getCenter().lng];
    onMap.view = () => {
      const box = map.getBounds();
      return [box.getWest(), box.getSouth(), box.getEast(), box.getNorth()];
    };
    onMap.metresPerPx = () => {
      const { lng, lat } = map.getCenter();
      const p = map.project([lng, lat]);
      const beside = map.unproject([p.x + 100, p.y]);
      return distanceM([lat, lng], [beside.lat, beside.lng]) / 100;
    };
    onMap.focus = () => map.getCanvas().focus();
    map.on("moveend", () => {
      const { lat, lng } = map.getCenter();
      const name = state.region.value?.name;
      if (name) state.remember({ view: { region: name, lat, lon: lng, zoom: map.getZoom() } });
      roads.moved();
    });
    bindMap(map);
    let first = true;
    let regionNow = region.name;
    const stop = effect(() => {
      const r = state.region.value;
      const options = r && optionsOf(r);
      const name = palette();
      if (first || !r || !options) {
        first = false;
        return;
      }
      made.show(name, options);
      if (r.name !== regionNow) {
        regionNow = r.name;
        state.onMap.fit?.(r.bounds_deg);
      }
    });
    return () => {
      stop();
      map.remove();
    };
  }, []);
  return <div class="map" ref={box} />;
}
