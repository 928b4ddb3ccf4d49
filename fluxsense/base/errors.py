"""The package's own exceptions; each message is a sentence for the person at the bench."""


def printable(text: str, keep: str = "\n") -> str:
    """A text without what would act on a terminal or cannot be encoded: such characters as Python writes them.

    Parameters
    ----------
    text : str
        Names of files and cells of logs hold anything.
    keep : str
        Characters that stay although they are not printable.
    """
    return "".join(c if c.isprintable() or c in keep else repr(c)[1:-1] for c in text)


class FluxsenseError(Exception):
    """Base of all errors that the package raises on purpose."""


class InputError(FluxsenseError):
    """Something handed in cannot be used.

    Parameters
    ----------
    what : str
        What is wrong, with the offending value.
    where : str, optional
        File, line or key path.
    remedy : str, optional
        What to do about it.

    Notes
    -----
    ``str(error)`` reads ``where: what. remedy.``
    """

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        text = f"{printable(where, keep='')}: {what}" if where else what
        if not text.endswith((".", "!", "?")):
            text += "."
        if remedy:
            text += f" {remedy}" if remedy.endswith((".", "!", "?")) else f" {remedy}."
        super().__init__(printable(text))


class ModelError(FluxsenseError):
    """The model returned a value that is not finite; the message names the stage and the parameters."""
