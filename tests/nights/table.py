"""What came out of nights, as a table to read."""

from __future__ import annotations

from statistics import median

from tests.nights.judge import NOT_COUNTED, Tally

MUST_BE_NONE = (
    "wrong and sure",
    "runs, and the box does not",
    "silence not noticed",
    "stands, and the box plays",
    "sent while disarmed",
    "sent twice",
    "sent late",
    "sent a pass early",
    "sent early",
    "sent what is not in the set",
    "not where announced",
)


def table(tally: Tally, seconds: float = 0.0) -> str:
    """The figures; `seconds` is how long it took, 0 to leave that out."""
    lines = [f"{'hours played':28}{tally.hours:12.1f}"]
    if seconds:
        lines.append(f"{'times real time':28}{tally.hours * 3600 / seconds:12.0f}")
    lines += [
        f"{'messages':28}{tally.messages:12}",
        f"{'ticks while playing':28}{tally.ticks:12}",
        f"{'of these counted and sure':28}{100 * tally.sure_ticks / max(tally.ticks, 1):11.2f}%",
        f"{'of these off by one':28}{tally.by_one:12}",
        f"{'boundaries of the box':28}{tally.boundaries:12}",
        f"{'announced and met':28}{tally.made:12}",
        f"{'changed by hand':28}{tally.by_hand:12}",
        f"{'program changes sent':28}{tally.sends:12}",
        f"{'of these while unsure':28}{tally.sent_unsure:12}",
        "",
        "must be none",
    ]
    known = {kind: tally.wrong.get(kind, 0) for kind in MUST_BE_NONE} | dict(tally.wrong)
    lines += [f"  {kind:26}{count:12}" for kind, count in known.items()]
    doubts = sorted({doubt for _, doubt in tally.unsure})
    columns = ["ticks", "sure", "of own", *doubts]
    lines += ["", "sure, by kind of night; `of own` without doubts that no count can help"]
    lines += [f"  {'':10}" + "".join(f"{h:>11}" for h in columns)]
    for night, ticks in sorted(tally.nights.items()):
        sure = tally.nights_sure[night]
        own = ticks - sum(tally.unsure[night, each] for each in NOT_COUNTED)
        shares = [
            sure / ticks,
            sure / max(own, 1),
            *(tally.unsure[night, d] / ticks for d in doubts),
        ]
        lines += [f"  {night:10}{ticks:11}" + "".join(f"{100 * s:10.2f}%" for s in shares)]
    lines += ["", f"{'sure, by jitter':28}{'ticks':>12}{'sure':>12}"]
    lines += [
        f"  {kind:26}{count:12}{100 * tally.jitter_sure[kind] / count:11.2f}%"
        for kind, count in sorted(tally.jitter.items())
    ]
    lines += ["", f"{'unsure, by doubt':28}{'ticks':>12}{'of all':>12}"]
    lines += [
        f"  {doubt[:58]:58}{count:12}{100 * count / max(tally.ticks, 1):11.2f}%"
        for doubt, count in tally.unsure_ticks.most_common()
    ]
    head = ("fault", "times", "doubts", "cleared", "median s", "99% s", "by person")
    lines += ["", f"{head[0]:28}" + "".join(f"{h:>12}" for h in head[1:])]
    for kind in sorted({*tally.faults, *tally.doubts}):
        times = sorted(tally.cleared.get(kind, []))
        middle = (
            f"{median(times):12.2f}{times[int(0.99 * len(times))]:12.2f}" if times else " " * 24
        )
        lines.append(
            f"  {kind:26}{tally.faults[kind]:12}{tally.doubts[kind]:12}{len(times):12}{middle}"
            f"{tally.by_person[kind]:12}"
        )
    return "\n".join([*lines, *tally.first_wrong])
