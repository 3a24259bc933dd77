"""What a page shows in the browser, held against WCAG 2.2: contrast of texts, visible focus."""

from __future__ import annotations

from typing import Any

from playwright.sync_api import Page

MOST_TABS = 140

# 1.4.3: 4.5 to 1; 3 to 1 for text of 24 px, or bold of 18.66 px, and more. A disabled control is
# exempt. Grounds are blended from the innermost outwards.
_POOR = """() => {
  const parsed = (said) => {
    const n = (said.match(/[\\d.]+/g) ?? []).map(Number);
    return n.length >= 3 ? [n[0], n[1], n[2], n.length > 3 ? n[3] : 1] : [0, 0, 0, 0];
  };
  const over = (a, b) => [0, 1, 2].map((i) => a[i] * a[3] + b[i] * (1 - a[3]));
  const light = (c) => c.map((v) => v / 255)
    .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const above = (e) => e.parentElement ?? e.getRootNode().host ?? null;
  const ground = (e) => {
    const layers = [];
    for (; e; e = above(e)) {
      layers.push(parsed(getComputedStyle(e).backgroundColor));
      if (layers.at(-1)[3] === 1) break;
    }
    return layers.reverse().reduce((below, layer) => over(layer, below), [255, 255, 255]);
  };
  const poor = [];
  let looked = 0;
  const walk = (root) => {
    for (const e of root.querySelectorAll("*")) {
      if (e.shadowRoot) walk(e.shadowRoot);
      const text = [...e.childNodes].filter((n) => n.nodeType === 3).map((n) => n.data).join("");
      if (!text.trim()) continue;
      if (e.closest("style, script, svg, [disabled], [aria-disabled=true]")) continue;
      if (!e.checkVisibility({ opacityProperty: true, visibilityProperty: true })) continue;
      const box = e.getBoundingClientRect();
      if (box.width < 2 || box.height < 2) continue;
      const style = getComputedStyle(e), under = ground(e);
      const both = [over(parsed(style.color), under), under].map(light);
      const [one, other] = both.sort((a, b) => b - a);
      const ratio = (one + 0.05) / (other + 0.05), px = parseFloat(style.fontSize);
      const large = px >= 24 || (px >= 18.66 && Number(style.fontWeight) >= 700);
      looked += 1;
      if (ratio < (large ? 3 : 4.5)) poor.push(`${text.trim().slice(0, 40)}: ${ratio.toFixed(2)}`);
    }
  };
  walk(document.body);
  return { looked, poor };
}"""

# 2.4.7: with the focus something about the control, what holds it or what lies beside it looks
# otherwise than without.
_FOCUSED = """() => {
  let e = document.activeElement;
  while (e?.shadowRoot?.activeElement) e = e.shadowRoot.activeElement;
  if (!e || e === document.body) return null;
  const near = [];
  for (let a = e; a && near.length < 5; a = a.parentElement ?? a.getRootNode().host) near.push(a);
  if (e.parentElement) near.push(...e.parentElement.children);
  const looks = () => near.map((a) => {
    const s = getComputedStyle(a);
    const ring = s.outlineStyle === "none" ? "" : s.outlineWidth + s.outlineColor;
    return [ring, s.boxShadow, s.borderTopColor, s.backgroundColor, s.textDecorationLine].join();
  }).join("|");
  const with_it = looks();
  e.blur();
  const without = looks();
  e.focus({ preventScroll: true });
  const name = (e.getAttribute("aria-label") || e.innerText || e.value || e.tagName).trim();
  return { name: name.slice(0, 60), tag: e.tagName, seen: with_it !== without };
}"""


def poor_contrasts(page: Page) -> list[str]:
    """Texts that stand out too little, each with its contrast; fails if none was looked at."""
    found: dict[str, Any] = page.evaluate(_POOR)
    assert found["looked"] > 5
    return list(found["poor"])


def tabbed_to(page: Page, name: str) -> list[str]:
    """Press Tab until the control with that name has the focus.

    Returns
    -------
    Names of controls on the way whose focus cannot be seen.
    """
    unseen = []
    page.add_style_tag(content="* { transition: none !important; }")  # no ring fades in
    page.evaluate("() => document.activeElement?.blur()")
    for _ in range(MOST_TABS):
        page.keyboard.press("Tab")
        found: dict[str, Any] | None = page.evaluate(_FOCUSED)
        if found is None:
            continue
        if not found["seen"]:
            unseen.append(f"{found['tag']} {found['name']}")
        if found["name"].startswith(name):
            return unseen
    raise AssertionError(f"Tab does not lead to {name}")
