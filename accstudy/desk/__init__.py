"""The program in a browser, on the user's machine: screens over the functions of the commands.

The server (`safety`, `studies`, `desk`, `steps`, `server`) reads forms and fills templates.
What reads or writes a study runs in processes of its own (`clerk` and the modules it names),
so that a screen never waits for another one's work.
"""
