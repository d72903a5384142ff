"""What can be wrong with a backup, a key or a place to restore to."""


class BackupError(Exception):
    """A backup cannot be made, read or restored; the text is one sentence or two that say what to do."""


class BackupBusyError(BackupError):
    """Another backup or restore works in the same folder."""


class ArchiveRefusedError(BackupError):
    """A file is no whole backup of this office, sealed with this key."""
