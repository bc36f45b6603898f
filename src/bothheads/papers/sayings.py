"""The sayings report: one set of words for the screen, the page to print and the document."""

from __future__ import annotations

from collections import Counter
from html import escape

from .. import __version__
from ..plan.sayings import Answer, Report, Saying
from ..plan.sayings.drums import DECLARED
from ..plan.sayings.model import Model
from ..plan.sayings.published import Figure, evidence
from ..plan.sayings.record import KIND, THRESHOLDS, Claim, Heard, Judged
from ..plan.sayings.rule import RULE
from .sheet import Block, Sheet, facts, table, text

COMMAND = "bothheads sayings"
FOOT = (
    "Every saying is common practice without a source, put in our own words; every verdict is computed from the comparisons by "
    "the rule above, so a better model may change it.",
    "The model is tested against other solvers and a few published ratios, not against measured drums with known tensions: a "
    "verdict is about the model's drums, and a log of real ones may overrule it.",
)


def amount(value: float | None) -> str:
    """A figure with three digits at most and a real minus."""
    if value is None:
        return "none"
    digits = f"{value:.0f}" if abs(value) >= 20 else f"{value:.1f}" if abs(value) >= 2 else f"{value:.2f}"
    return digits.replace("-", "−")


def model_words(judged: Judged | None, claim: Claim | None, untold: str = "") -> str:
    """What the model says."""
    if judged is None or claim is None:
        return f"nothing: {untold}"
    if judged.median is None:
        return f"too few drums bear on it ({judged.trials} comparisons)"
    shares = [f"as said in {100 * judged.as_said:.0f} % of {judged.trials} comparisons on {judged.drums} drums"]
    if judged.against:
        word = "the reverse" if claim.form in ("more", "less") else "otherwise"
        shares.append(f"{word} in {100 * judged.against:.0f} %")
    if judged.unheard:
        shares.append(f"too little to notice in {100 * judged.unheard:.0f} %")
    out = (f"{', '.join(shares)}; middle {amount(judged.median)} {claim.unit}, eight of ten from {amount(judged.low)} to "
           f"{amount(judged.high)}")
    if judged.condition and judged.inside is not None:
        out += (f". Where {judged.condition}: as said in {100 * judged.inside:.0f} % on the drums that did not choose the "
                "condition")
    return out


def logged_words(heard: Heard, saying: Saying) -> str:
    """What logged drums say, or what a log would be looked through for."""
    claim, how = saying.claim, saying.logged
    if not heard.count or claim is None:
        return heard.because if how is None else f"{heard.because}; looked for: {how.words}"
    comparisons = "1 comparison" if heard.count == 1 else f"{heard.count} comparisons"
    return (f"{comparisons} on {heard.drums if heard.drums != 1 else 'one'} drum{'s' if heard.drums != 1 else ''}: "
            f"as said in {heard.as_said}, the reverse in {heard.against}; middle {amount(heard.median)} {claim.unit}")


def published_words(figure: Figure | None) -> str:
    """A published figure beside the model's."""
    if figure is None:
        return ""
    return f"{figure.what}: {figure.published:.3g} {figure.unit} published, {figure.model:.3g} in the model ({figure.source})"


def verdict_words(answer: Answer) -> str:
    """The verdict with its reason, where it has one."""
    return answer.verdict_words + (f" ({answer.because})" if answer.because and answer.model is not None else "")


def rows_of(answer: Answer) -> tuple[tuple[str, str], ...]:
    """One saying as labelled lines."""
    s = answer.saying
    means = f"{s.how}. As said means {s.claim.words()}." if s.claim is not None else ""
    return tuple((label, words) for label, words in (
        ("tested", means), ("the model says", model_words(answer.model, s.claim, s.untold)),
        ("published", published_words(answer.published)), ("logged drums say", logged_words(answer.logged, s)),
        ("left out", s.left_out), ("verdict", verdict_words(answer)),
    ) if words)


def counts_words(report: Report) -> str:
    """How many of each verdict."""
    seen: Counter[str] = Counter(a.verdict for a in report.answers)
    words = {"holds": "hold", "holds when": "hold on a condition", "not found": "not found", "cannot tell": "cannot be told"}
    return ", ".join(f"{seen[v]} {said}" for v, said in words.items() if seen[v])


def about_words(report: Report) -> tuple[str, ...]:
    """What was done, in paragraphs."""
    log = "No log was asked." if report.log_drums is None else (
        f"The log holds {report.log_drums} drum{'s' if report.log_drums != 1 else ''} with {report.log_states} states.")
    return (
        f"{len(report.answers)} sayings: {counts_words(report)}. Kind of all of them: {KIND}.",
        f"The drums: {report.basses} bass drums and {report.toms} toms, drawn with seed {report.seed}: {DECLARED}.",
        f"The rule. {RULE}",
        "What counts as noticed: " + "; ".join(f"{what} ({source})" for what, source in THRESHOLDS) + ".",
        log,
    )


def lines(report: Report) -> list[str]:
    """The report for the screen: one saying after the other."""
    out = [about_words(report)[0]]
    for a in report.answers:
        out += ["", f"{a.saying.id}: {a.saying.statement}"]
        out += [f"  {label}: {words}" for label, words in rows_of(a)]
    return out


def evidence_table(figures: tuple[Figure, ...]) -> tuple[tuple[str, ...], ...]:
    """Published figures as rows."""
    return tuple((f.what, f"{f.published:.3g} {f.unit}", f"{f.model:.3g} {f.unit}", f"{100 * (f.model / f.published - 1):+.1f} %"
                  .replace("-", "−"), f.source) for f in figures)


SCRIPTS = (
    "`--json` gives one object `bothheads.sayings/1`: `version`, `seed`, `drums` (`bass`, `tom`), `rule`, `thresholds`, "
    "`log` (`drums`, `states`, or null) and `sayings`, each with `id`, `about`, `statement`, `kind`, `tested`, "
    "`as_said_means`, `unit`, `model` (null where it has no say; else `verdict`, `drums`, `trials`, the shares `as_said`,"
    " `against`, `unheard`, the effect's `median`, `low` and `high`, `condition`, `inside`), `published` (`what`, "
    "`published`, `model`, `unit`, `source`), `logged` (`count`, `drums`, `median`, `as_said`, `against`, `because`, "
    "`compared`), `verdict`, `because`, `left_out`. Keys are stable; more may be added."
)
EVIDENCE_HEAD = ("figure", "published", "model", "off by", "source")
EVIDENCE_WORDS = ("An orchestral bass drum with equal heads, whose tension and film are not given: they were chosen together for "
                  "the seven ratios, so this tests the shape of the series and nothing else.")


def sheet(report: Report) -> Sheet:
    """The report as a paper."""
    blocks: list[Block] = [
        text("How it was tested", *about_words(report)),
        table("All verdicts", ("saying", "verdict"), [(a.saying.statement, verdict_words(a)) for a in report.answers]),
    ]
    for a in report.answers:
        *details, verdict = rows_of(a)
        blocks.append(facts(verdict, title=a.saying.statement, wide=True))
        blocks.append(text("", *(f"{label[:1].upper()}{label[1:]}: {words}{'' if words.endswith('.') else '.'}"
                                 for label, words in details)))
    blocks.append(table("Published figures beside the model's", EVIDENCE_HEAD, evidence_table(evidence(Model()))))
    blocks.append(text("", EVIDENCE_WORDS))
    return Sheet("Sayings of the trade, tested", "report", (f"bothheads {__version__}", f"seed {report.seed}"), tuple(blocks), FOOT,
                 size="A4")


def markdown(report: Report, *, made: str) -> str:
    """The report as a document; ``made`` is the line that says by which command, version and in what time."""
    out = ["# Sayings of the trade, tested", "", made, "", *(p + "\n" for p in about_words(report)),
           "| saying | verdict |", "|---|---|",
           *(f"| [{_cell(a.saying.statement)}](#{a.saying.id}) | {_cell(verdict_words(a))} |" for a in report.answers), ""]
    subject = ""
    for a in report.answers:
        if a.saying.about != subject:
            subject = a.saying.about
            out += [f"## {subject[:1].upper()}{subject[1:]}", ""]
        out += [f'<a id="{a.saying.id}"></a>', "", f"### {a.saying.statement}", ""]
        out += [f"- {label}: {words}{'' if words.endswith('.') else '.'}" for label, words in rows_of(a)]
        out.append("")
    out += ["## Published figures beside the model's", "", EVIDENCE_WORDS, "", "| " + " | ".join(EVIDENCE_HEAD) + " |",
            "|---|---|---|---|---|", *("| " + " | ".join(map(_cell, row)) + " |" for row in evidence_table(evidence(Model()))), "",
            *(f"{line}\n" for line in FOOT), "## For scripts", "", SCRIPTS]
    return "\n".join(out).rstrip() + "\n"


def written(report: Report, path: str, *, made: str) -> bytes:
    """The report as the ending of ``path`` wants it: .md, .pdf or .html."""
    from .press import html, pdf

    if path.endswith(".md"):
        return markdown(report, made=made).encode()
    page = sheet(report)
    return pdf(page) if path.endswith(".pdf") else html(page).encode()


def _cell(words: str) -> str:
    return escape(words, quote=False).replace("|", "\\|")
