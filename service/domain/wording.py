"""How numbers stand in sentences."""


def number(value: float, digits: int = 0) -> str:
    """A number for a sentence: fixed decimals, a true minus sign, no minus zero."""
    text = f"{round(value, digits) + 0.0:.{digits}f}"
    return text.replace("-", "−")
