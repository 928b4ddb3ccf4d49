"""The package's own exceptions; each message is a sentence for the person at the bench."""


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
        text = f"{where}: {what}" if where else what
        if not text.endswith((".", "!", "?")):
            text += "."
        if remedy:
            text += f" {remedy}" if remedy.endswith((".", "!", "?")) else f" {remedy}."
        super().__init__(text)


class ModelError(FluxsenseError):
    """The model returned a value that is not finite; the message names the stage and the parameters."""
