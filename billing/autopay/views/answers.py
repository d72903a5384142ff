"""The bank's files of returns and corrections: choose one, look at what it brings, take it in."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache

from billing.autopay import answering, queries, reader
from billing.autopay.forms import AnswersForm
from billing.autopay.reader import NachaFileError
from billing.autopay.views.common import AUTOPAY, CAUTION, EXPECTED
from billing.models import AutopayAnswers
from billing.views.common import person
from rentals.runtime import clock
from rentals.staff.policy import requires


@requires("autopay.run")
@never_cache
def choose_file(request: HttpRequest) -> HttpResponseBase:
    """Ask for the file, read it, and go on to what it brings; a bad one is refused with its line and the reason."""
    form = AnswersForm(request.POST, request.FILES) if request.method == "POST" else AnswersForm()
    if request.method == "POST" and form.is_valid():
        sent = form.cleaned_data["file"]
        try:
            content = sent.read(reader.LARGEST + 1)
            file = answering.read_answers(content=content, file_name=sent.name, acting_user=person(request), now=clock.now())
        except NachaFileError as refused:
            form.add_error("file", f"{sent.name} is not taken in. {refused}")
        else:
            return redirect("autopay_answers", file.pk)
    context = {"form": form, "files": queries.list_answers()[:25], "caution": CAUTION, "back": AUTOPAY}
    return render(request, "billing/autopay/returns.html", context, status=422 if form.errors else 200)


@requires("autopay.run")
@never_cache
def look_and_take_in(request: HttpRequest, answers_id: int) -> HttpResponseBase:
    """Show what a file brings, debit by debit, and take it in; afterwards, what it brought."""
    file = get_object_or_404(AutopayAnswers.objects.defer("sealed").select_related("read_by", "taken_by"), pk=answers_id)
    back = {"label": "Returns", "url": "../"}
    problem = ""
    if request.method == "POST" and file.taken_at is None:
        try:
            found = answering.take_in(file=file, acting_user=person(request), now=clock.now(), today=clock.today())
        except (*EXPECTED, NachaFileError) as refused:
            problem = str(refused)
        else:
            count = len(found.fresh_returns)
            messages.success(request, f"{file.file_name} is taken in: {count} debit{'' if count == 1 else 's'} came back.")
            return redirect("autopay_answers", file.pk)
    if file.taken_at is not None:
        context = {
            "file": file,
            "returns": queries.list_returns(file),
            "corrections": queries.list_corrections(file),
            "back": back,
        }
        return render(request, "billing/autopay/answers_taken.html", context)
    try:
        found = answering.look_into(file)
    except (*EXPECTED, NachaFileError) as refused:
        problem, found = str(refused), answering.Found((), ())
    context = {"file": file, "found": found, "problem": problem, "caution": CAUTION, "back": back}
    return render(request, "billing/autopay/answers.html", context, status=422 if problem else 200)
