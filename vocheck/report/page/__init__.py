"""The pages: a session, its comp sheets, or a final mix, to be looked at and listened to.

A page is one file. It needs no library and no network, and sends nothing anywhere; the sound is
played from where it is (or from copies inside the page). File names and notes are untrusted text:
the templates escape every value.

One template, one style sheet and one player (`base.html`, `page.css`, `player.js`) carry all pages;
`rank.html`, `comp.html` and `mix.html` add what is theirs.
"""

from vocheck.report.page.comp import render_comp_page
from vocheck.report.page.drawing import spectrum_address, wave_path
from vocheck.report.page.mix import render_mix_page
from vocheck.report.page.rank import render_page

__all__ = ["render_comp_page", "render_mix_page", "render_page", "spectrum_address", "wave_path"]
