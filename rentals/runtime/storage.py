"""Static files under names that carry their content, so that browsers may keep them for ever."""

from whitenoise.storage import CompressedManifestStaticFilesStorage

IMPORTS = CompressedManifestStaticFilesStorage._js_module_import_aggregation_patterns[1]


class FingerprintedStorage(CompressedManifestStaticFilesStorage):  # type: ignore[misc]
    """Also follows the imports between our own script modules: a changed part gives the whole a new name."""

    support_js_module_import_aggregation = True
    # Only ours: other people's scripts import by names that no folder holds.
    _js_module_import_aggregation_patterns = ("js/*.js", IMPORTS)
