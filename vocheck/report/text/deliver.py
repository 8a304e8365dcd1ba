"""A package for a client in the terminal: may it go out, and what is in it."""

from __future__ import annotations

from vocheck.mix.package import Package
from vocheck.plain import shown_plainly
from vocheck.policy.delivery import Check
from vocheck.report.text.mix import WORDS
from vocheck.report.text.style import bold, dim, paint, wrap
from vocheck.wording.delivery import check_source, check_words
from vocheck.wording.package import CONTRACT, against, measured, refused, sentence
from vocheck.wording.vocabulary import file_name


@shown_plainly
def render_package(package: Package, written: str | None) -> str:
    """Return a package as text, ending in a newline.

    Parameters
    ----------
    package : Package
    written : str or None
        Where it was written; ``None`` where it was not.
    """
    word = paint(WORDS[package.verdict], package.verdict)
    if package.problems:
        word = paint("NOT WRITTEN", "fail")
    lines = [f"{word}  {bold(package.title)}  {dim(sentence(package))}"]
    if why := refused(package):
        lines.append(wrap(why, "  "))
    for destination in package.destinations:
        lines += ["", f"  {bold(destination.name)}"]
        lines.append(dim(wrap(against(destination), "    ", "    ")))
        for item in package.items:
            if item.destination != destination.name:
                continue
            verdict = f"{paint(WORDS[item.result.verdict], item.result.verdict)}  "
            shown = verdict if item.kind == "mix" else f"{dim(item.kind)}  "
            lines.append(f"    {shown}{item.path}  {dim('from ' + file_name(item.source))}")
            lines.append(wrap(measured(item), "        ", "      "))
            checks = [check for d in item.result.destinations for check in d.checks]
            lines += [_poor(check) for check in (*item.result.checks, *checks) if _is_poor(check)]
            if item.sha256:
                lines.append(dim(f"      SHA-256 {item.sha256}"))
    if package.left_out:
        lines += ["", wrap(f"Left out: {', '.join(package.left_out)}", "    ", "  ")]
    lines += ["", wrap(CONTRACT, "  ", "  ")]
    if written is not None:
        lines.append(f"  {written}: written")
    return "\n".join(lines) + "\n"


def _is_poor(check: Check) -> bool:
    return check.verdict in ("fail", "warn", "cannot tell")


def _poor(check: Check) -> str:
    word = paint(check.verdict, "warn" if check.verdict == "cannot tell" else check.verdict)
    return wrap(f"{word}: {check_words(check)} ({check_source(check)})", "        ", "      ")
