"""The steps of reminding a family that something is overdue."""

from django.db import models

from billing.models.collecting import OverdueStep


class OverdueNotice(models.Model):
    """One step taken in one episode: an episode begins with the oldest unpaid due date and ends when nothing is overdue."""

    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="overdue_notices")
    episode_on = models.DateField(help_text="The oldest due date unpaid when the step was taken.")
    step = models.PositiveSmallIntegerField(help_text="The step's position in its table.")
    rule = models.ForeignKey(OverdueStep, on_delete=models.PROTECT, related_name="notices")
    message = models.OneToOneField(
        "documents.OutboxMessage",
        on_delete=models.PROTECT,
        null=True,
        related_name="overdue_notice",
        help_text="None where the step writes nothing: a call, a recall put before the manager.",
    )
    made_at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["household", "episode_on", "step"], name="overdue_step_once_per_episode")]

    def __str__(self) -> str:
        return f"Step {self.step} of {self.episode_on}"
