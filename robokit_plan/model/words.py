"""Lists, plurals, nearest names and quantities, as people read them; for texts of all layers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence


def listed(words: Iterable[str], last: str = "and") -> str:
    """
    Return *words* with commas and, before the last one, *last*.

    >>> listed(["a"]), listed(["a", "b"]), listed(["a", "b", "c"], "or")
    ('a', 'a and b', 'a, b or c')
    """
    named = list(words)
    if len(named) < 2:
        return "".join(named)
    return f"{', '.join(named[:-1])} {last} {named[-1]}"


def few(words: Sequence[str], most: int) -> str:
    """
    Return the first *most* of *words* and how many more there are; a single one more is named.

    >>> few(["a", "b", "c"], 2), few(["a", "b", "c", "d"], 2)
    ('a, b, c', 'a, b and 2 more')
    """
    if len(words) <= most + 1:
        return ", ".join(words)
    return f"{', '.join(words[:most])} and {len(words) - most} more"


def counted(number: int, noun: str, plural: str | None = None) -> str:
    """
    Return *number* with *noun*, in the plural where it is not one; *plural* if no `s` makes it.

    >>> counted(1, "package"), counted(0, "package"), counted(2, "entry", "entries")
    ('1 package', '0 packages', '2 entries')
    """
    return f"{number} {noun}" if number == 1 else f"{number} {plural or noun + 's'}"


def near_names(word: str, known: Iterable[str], most: int = 3, cutoff: float = 0.6) -> list[str]:
    """
    Return at most *most* of *known* that look like *word*, the likeliest first.

    *cutoff*: how alike, from 0 to 1, as `difflib` measures it.

    >>> near_names("bno550", ["bme280", "bno055", "bno085"], 1)
    ['bno055']
    """
    from difflib import get_close_matches  # most runs know all names

    return get_close_matches(word, known, n=most, cutoff=cutoff)


def distance(left: str, right: str, limit: int = 3) -> int:
    """
    Return how many letters must be added, dropped, changed or swapped; *limit* + 1 if more.

    Optimal string alignment distance, the usual measure of typing slips.

    >>> distance("gipo", "gpio"), distance("adress", "address"), distance("pin", "signals")
    (1, 1, 4)
    """
    if abs(len(left) - len(right)) > limit:
        return limit + 1
    before: list[int] = []
    above = list(range(len(right) + 1))
    for i, a in enumerate(left, 1):
        row = [i]
        for j, b in enumerate(right, 1):
            cost = min(above[j] + 1, row[j - 1] + 1, above[j - 1] + (a != b))
            if i > 1 and j > 1 and a == right[j - 2] and left[i - 2] == b:
                cost = min(cost, before[j - 2] + 1)
            row.append(cost)
        if min(row) > limit:
            return limit + 1
        before, above = above, row
    return min(above[-1], limit + 1)


def find_nearest(word: str, known: Iterable[str]) -> str | None:
    """
    Return the known word that *word* is most likely a slip of; None where none is near.

    Stricter than `near_names`: what it returns may be put in place of *word*.
    """
    known = sorted(set(known))
    folded = _folded(word)
    longer = [one for one in known if len(folded) > 2 and one.startswith(folded)]
    if len(longer) == 1:
        return longer[0]
    best: tuple[int, str] | None = None
    for candidate in known:
        other = _folded(candidate)
        near = distance(folded[:64], other)
        allowed = 1 if len(other) <= 4 else 2 if len(other) <= 8 else 3
        # Half of a word in common is the least: `c` is no slip of `a`.
        if near <= allowed and 2 * near <= len(folded) and (best is None or near < best[0]):
            best = (near, candidate)
    return best[1] if best else None


def _folded(word: str) -> str:
    return word.lower().replace("_", "-").replace(" ", "-").strip("-")


def span_text(minutes: int) -> str:
    """
    Return a time in words: minutes, from two hours on hours.

    >>> span_text(1), span_text(60), span_text(150)
    ('1 minute', '60 minutes', '2 hours')
    """
    return f"{minutes // 60} hours" if minutes >= 120 else counted(minutes, "minute")


def age_text(seconds: float) -> str:
    """
    Return how long ago something was, in minutes, from two hours on in hours, then in days.

    >>> age_text(59), age_text(61), age_text(7200), age_text(172_800)
    ('0 minutes ago', '1 minute ago', '2 hours ago', '2 days ago')
    """
    minutes = max(0, int(seconds // 60))
    return f"{span_text(minutes) if minutes < 2880 else counted(minutes // 1440, 'day')} ago"


def size_text(size: int) -> str:
    """
    Return *size* bytes in B, kB, MB or GB (powers of 1000), one decimal below 10.

    >>> size_text(950), size_text(1_500), size_text(33_900_000), size_text(3_200_000_000)
    ('950 B', '1.5 kB', '34 MB', '3.2 GB')
    """
    value = float(size)
    for unit in ("B", "kB", "MB"):
        if value < 999.5:
            return f"{value:.0f} {unit}" if unit == "B" or value >= 9.95 else f"{value:.1f} {unit}"
        value /= 1000
    return f"{value:.0f} GB" if value >= 9.95 else f"{value:.1f} GB"


def limit_text(size: int) -> str:
    """
    Return a round *size* in bytes, such as a limit of ours, without decimals.

    >>> limit_text(1_000_000), limit_text(1_000_000_000), limit_text(4_194_304)
    ('1 MB', '1 GB', '4.2 MB')
    >>> limit_text(100)
    '100 bytes'
    """
    if size < 1000:
        return counted(size, "byte")
    return size_text(size).replace(".0 ", " ")


def current_text(current: int) -> str:
    """
    Return *current* mA as ``mA`` below one ampere, else ``A`` with at most two decimals.

    >>> current_text(480), current_text(6000), current_text(1250)
    ('480 mA', '6 A', '1.25 A')
    """
    return f"{current} mA" if abs(current) < 1000 else f"{_thousandth(current, 2)} A"


def volt_text(level: int) -> str:
    """
    Return *level* mV in volts, without trailing zeros.

    >>> volt_text(3300), volt_text(5000)
    ('3.3 V', '5 V')
    """
    return f"{_thousandth(level)} V"


def drop_text(level: int) -> str:
    """
    Return a difference of *level* mV: ``mV`` below one volt, else volts.

    >>> drop_text(235), drop_text(1200)
    ('235 mV', '1.2 V')
    """
    return f"{level} mV" if abs(level) < 1000 else volt_text(level)


def ohm_text(resistance: int) -> str:
    """
    Return *resistance* ohm as ``ohm`` below one thousand, else as ``kohm``.

    >>> ohm_text(470), ohm_text(1800), ohm_text(94_000), ohm_text(1278)
    ('470 ohm', '1.8 kohm', '94 kohm', '1.278 kohm')
    """
    return f"{resistance} ohm" if resistance < 1000 else f"{_thousandth(resistance)} kohm"


def milliohm_text(resistance: int) -> str:
    """
    Return *resistance* mohm as ``mohm`` below one ohm, else as `ohm_text` does.

    >>> milliohm_text(235), milliohm_text(1560), milliohm_text(94_000)
    ('235 mohm', '1.56 ohm', '94 ohm')
    """
    if resistance < 1000:
        return f"{resistance} mohm"
    return f"{_thousandth(resistance)} ohm" if resistance < 10**6 else ohm_text(resistance // 1000)


def frequency_text(frequency: int) -> str:
    """
    Return *frequency* Hz in Hz, kHz or MHz, whichever keeps it short, without loss.

    >>> frequency_text(50), frequency_text(25_000), frequency_text(1_500), frequency_text(1_234_567)
    ('50 Hz', '25 kHz', '1.5 kHz', '1234567 Hz')
    """
    for unit, size in (("MHz", 10**6), ("kHz", 10**3)):
        if frequency >= size and frequency % (size // 10) == 0:
            return f"{frequency / size:g} {unit}"
    return f"{frequency} Hz"


def _thousandth(value: int, decimals: int = 3) -> str:
    """Return *value* by a thousand without zeros at its end."""
    return f"{value / 1000:.{decimals}f}".rstrip("0").rstrip(".")
