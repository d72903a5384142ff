"""What a backup and its restored copy must share in documents."""

from rentals.runtime.backups import hooks

hooks.add_figure("documents", "SELECT count(*)::text FROM documents_document WHERE state = 'made'")
hooks.add_figure(
    "SHA-256 of all documents' SHA-256",
    "SELECT encode(sha256(convert_to(coalesce(string_agg(sha256, '' ORDER BY id), ''), 'UTF8')), 'hex') FROM documents_document",
)
hooks.add_figure(
    "documents that are not what their SHA-256 says",
    "SELECT count(*)::text FROM documents_document WHERE content IS NOT NULL AND encode(sha256(content), 'hex') <> sha256",
)
