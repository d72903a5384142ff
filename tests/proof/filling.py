"""Fill an empty office with families that owe, and ask for the night's work: `python -m tests.proof.filling 5000`.

Run with the tables' owner's address in DATABASE_URL, in a process of its own: the office under proof has its own servers.
"""

import datetime
import sys

import django


def fill(families: int) -> None:
    """Make families with one agreement each, begun long enough ago that all are late once they are billed; a third have mail."""
    from django.core.management import call_command
    from django.db import connection

    from billing import bench_data
    from rentals.jobs.models import JobRun
    from rentals.runtime import clock

    call_command("migrate", verbosity=0)
    begun = clock.today() - datetime.timedelta(days=75)
    bench_data.fill(bench_data.prepare(), first=1, last=families, starts=begun.isoformat())
    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE families_guardian DISABLE TRIGGER USER")
        cursor.execute("UPDATE families_guardian SET email = 'family-' || id || '@families.example' WHERE id % 3 = 0")
        cursor.execute("ALTER TABLE families_guardian ENABLE TRIGGER USER")
    for code in ("billing/bill", "billing/overdue_steps", "billing/verify"):
        JobRun.objects.create(code=code, on=clock.today(), due_at=clock.now())


if __name__ == "__main__":
    django.setup()
    fill(int(sys.argv[1]))
