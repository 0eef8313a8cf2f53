"""How large the page of 20,000 components is, how soon it is painted, and how quickly its filter answers.

    python -m tests.page_speed [FILE.html]     measures FILE, or a page that it makes, in a headless Chromium

Nothing is asserted: it prints sizes and milliseconds of this machine, beside what they are wanted to be.
"""
