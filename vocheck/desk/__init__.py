"""The desk: a session in a window, live, from the first test read to the mix.

A local server (`app`, `serve`) shows one page to one or several browsers. What they see is the
`board`: values by name, each with a version, so that a browser that was away catches up. Who may
look and who may write is decided in one place (`access`); which files there are, in another
(`inside`). `standby` follows the folder while takes are recorded, in the booth's terminal and here.

Nothing here writes to a recording. What is written are notes and settings (``notes.csv``,
``vocheck.toml``), and only as somebody asked.
"""
