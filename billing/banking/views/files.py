"""Taking a bank's file in: choose it, look at what it would bring, take it in."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from billing.banking import certain, lists, operations, queries
from billing.banking.forms import FileForm, TakeInForm
from billing.banking.readers import LARGEST, BankFileError
from billing.banking.views.common import BANK, REFUSALS
from billing.models import BankFile, BankStatement
from billing.views.common import person
from rentals.runtime import clock
from rentals.staff.policy import requires


@requires("bank.import")
@never_cache
def choose_file(request: HttpRequest) -> HttpResponseBase:
    """Ask for the file, read it, and go on to what it would bring; a bad one is refused with its line and the reason."""
    form = FileForm(request.POST, request.FILES) if request.method == "POST" else FileForm()
    if request.method == "POST" and form.is_valid():
        sent = form.cleaned_data["file"]
        try:
            file = operations.read_file(
                content=sent.read(LARGEST + 1), file_name=sent.name, acting_user=person(request), now=clock.now()
            )
        except BankFileError as refused:
            form.add_error("file", f"{sent.name} is not taken in. {refused}")
        else:
            return redirect("bank_file", file.pk)
    statements = BankStatement.objects.select_related("account", "file", "imported_by").order_by("-imported_at", "-id")[:25]
    waiting = BankFile.objects.filter(taken_at=None).select_related("read_by").order_by("-read_at")[:10]
    context = {"form": form, "statements": statements, "waiting": waiting, "back": BANK}
    return render(request, "billing/bank/files.html", context, status=422 if form.errors else 200)


@requires("bank.import")
@never_cache
def bank_file(request: HttpRequest, file_id: int) -> HttpResponseBase:
    """Show what a file would bring, ask what only a person knows, and take it in."""
    file = get_object_or_404(BankFile.objects.select_related("read_by"), pk=file_id)
    if file.taken_at is not None:
        context = {"file": file, "statements": file.statements.select_related("account", "imported_by"), "back": BANK}
        return render(request, "billing/bank/file_taken.html", context)
    if not file.is_read:
        return redirect("bank_columns", file.pk)
    previews = queries.preview(file)
    form = TakeInForm(request.POST if request.method == "POST" else None, previews=previews)
    if request.method == "POST" and form.is_valid():
        try:
            statements = operations.take_in(
                file=file,
                answers=form.answers(),
                same_lines=form.same_lines(),
                other_lines=form.other_lines(),
                acting_user=person(request),
                now=clock.now(),
            )
        except REFUSALS as refused:
            form.add_error(None, str(refused))
        else:
            fresh = sum(statement.new_line_count for statement in statements)
            run = certain.start_after_file(acting_user=person(request), today=clock.today(), now=clock.now())
            by_itself = f" {run.matched} matched by themselves; each can be undone." if run.finished_at and run.matched else ""
            messages.success(request, f"{file.file_name} is taken in: {fresh} new line{'' if fresh == 1 else 's'}.{by_itself}")
            return redirect("bank")
    context = {"form": form, "file": file, "previews": previews, "notes": file.contents["notes"], "back": BANK}
    context["taken"] = form.taken() | set(form.other_lines()) if form.is_bound else set()
    return render(request, "billing/bank/file.html", context, status=422 if form.errors else 200)


@requires("bank.import")
@require_POST
def throw_away(request: HttpRequest, file_id: int) -> HttpResponseBase:
    """Throw away a file that was looked at and is not wanted."""
    file = get_object_or_404(BankFile, pk=file_id)
    if lists.throw_away(file=file):
        messages.success(request, f"{file.file_name} is thrown away; nothing of it was taken in.")
    else:
        messages.error(request, f"{file.file_name} was taken in meanwhile, so it stays.")
    return redirect("bank_files")
