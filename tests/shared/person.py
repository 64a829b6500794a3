"""A person at the screen: finds what is written, clicks, types, chooses files."""

import time

from selenium.common.exceptions import StaleElementReferenceException, WebDriverException
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import Select


class Person:
    """Uses the desk as somebody does who reads the screen."""

    def __init__(self, browser):
        self.browser = browser

    def _wait(self, look, what, seconds=60):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            try:
                found = look()
                if found:
                    return found
            except (StaleElementReferenceException, WebDriverException):
                pass
            time.sleep(0.1)
        raise AssertionError(f"not on the screen: {what}; it says\n{self.reads()}")

    def reads(self):
        """All that is written on the screen."""
        return self.browser.find_element(By.TAG_NAME, "body").text

    def sees(self, text, seconds=60):
        """Wait until the screen says it."""
        self._wait(lambda: text in self.reads(), text, seconds)
        return self.reads()

    def within(self, title):
        """All that is written in a frame on the screen."""
        frame = self._wait(
            lambda: self.browser.find_element(By.CSS_SELECTOR, f'iframe[title="{title}"]'), title
        )
        self.browser.switch_to.frame(frame)
        try:
            return self._wait(self.reads, title)
        finally:
            self.browser.switch_to.default_content()

    def _named(self, text):
        """Links and buttons of this text, or name for those who do not see it."""
        js = """const own = (e) => (e.getAttribute('aria-label') || e.textContent).trim();
        return [...document.querySelectorAll('main :is(a, button, summary)'),
                ...document.querySelectorAll('a, button')].filter(
          (e) => own(e) === arguments[0] && e.offsetParent !== null && !e.disabled)[0]"""
        return self.browser.execute_script(js, text)

    def clicks(self, text):
        """Click a link or button; where a screen follows, wait for it."""
        button = self._wait(lambda: self._named(text), text)
        old = self.browser.find_element(By.TAG_NAME, "html")
        leaves = button.tag_name == "a" or button.get_attribute("type") == "submit"
        self.browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
        button.click()
        if leaves:
            self._wait(lambda: self._gone(old), f"what follows {text}")

    @staticmethod
    def _gone(element):
        try:
            element.is_enabled()
        except (StaleElementReferenceException, WebDriverException):
            return True
        return False

    def field(self, label):
        """The field that a label is beside."""
        js = """const words = (e) => e.textContent.replace(/\\s+/g, ' ').trim();
        const found = [...document.querySelectorAll('label')].find(
          (e) => words(e) === arguments[0] || words(e).split(' / ')[0] === arguments[0]);
        return (found && (found.control || document.getElementById(found.htmlFor))) ||
          document.querySelector(`[aria-label="${arguments[0]}"]`)"""
        return self._wait(lambda: self.browser.execute_script(js, label), label)

    def types(self, label, text):
        """Write into a field what is to stand in it."""
        field = self.field(label)
        field.clear()
        field.send_keys(text)
        told = "arguments[0].dispatchEvent(new Event('change', {bubbles: true}))"
        self.browser.execute_script(told, field)

    def chooses(self, label, text=None):
        """Choose an option of a list, or a round button."""
        field = self.field(label)
        if field.tag_name == "select":
            Select(field).select_by_visible_text(text)
        else:
            field.click()

    def brings(self, label, *files):
        """Choose files, and wait until they are taken or refused."""
        field = self.field(label)
        old = self.browser.find_element(By.TAG_NAME, "html")
        field.send_keys("\n".join(str(f) for f in files))
        self._wait(lambda: self._gone(old) or "Refused:" in self.reads(), f"{label} taken", 120)
