"""A keyboard-wedge scanner, for tests in a browser."""

from typing import Any

from playwright.sync_api import Page


class Scanner:
    """Types like a scanner, with the time of each key told to the browser, so that a busy machine does not slow it down."""

    def __init__(self, page: Page) -> None:
        self.session = page.context.new_cdp_session(page)
        self.at = page.evaluate("(performance.timeOrigin + performance.now()) / 1000")

    def key(self, pace: float, key: str) -> None:
        """Press one key, `pace` ms after the last."""
        self.at += pace / 1000
        text = {"Enter": "\r", "Tab": "\t"}.get(key, key)
        code = {"Enter": 13, "Tab": 9}.get(key, ord(key[0].upper()))
        event: dict[str, Any] = {"key": key, "windowsVirtualKeyCode": code, "timestamp": self.at}
        if len(key) == 1 or key == "Enter":
            event |= {"text": text, "unmodifiedText": text}
        self.session.send("Input.dispatchKeyEvent", {"type": "keyDown", **event})
        self.session.send("Input.dispatchKeyEvent", {"type": "keyUp", "key": key, "timestamp": self.at})

    def scan(self, code: str, pace: float = 10, ending: str = "Enter") -> None:
        """Type a code and its ending (Enter, Tab, or "" for none)."""
        for letter in code:
            self.key(pace, letter)
        if ending:
            self.key(pace, ending)
