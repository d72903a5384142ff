"""Photographs of an instrument: added, looked at, taken away, put back, erased."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_POST, require_safe

from rentals.inventory.models import Instrument, Photo, WorkOrder
from rentals.inventory.operations import photos as operations
from rentals.inventory.photographs.forms import PhotosForm, RemovePhotoForm
from rentals.inventory.queries import photos as queries
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, may, requires

LONGEST_NAME = 60


def _page_of(photo_id: int) -> str:
    photo = Photo.objects.only("instrument_id").filter(pk=photo_id).first()
    return reverse("photos", args=[photo.instrument_id]) if photo else reverse("instruments")


@requires("instruments.photograph")
def photos(request: HttpRequest, instrument_id: int) -> HttpResponseBase:
    """Show an instrument's pictures, those taken away too; a POST adds some. `?work_order=` narrows to one piece of work."""
    unit = get_object_or_404(Instrument.objects.select_related("item__kind"), pk=instrument_id)
    order = _order(request, unit)
    form = PhotosForm()
    if request.method == "POST":
        form = PhotosForm(request.POST, request.FILES)
        if form.is_valid():
            kept, refused = _keep(request, unit, order, form.cleaned_data)
            if kept:
                messages.success(request, f"{kept} picture{'s are' if kept > 1 else ' is'} kept with {unit.asset_tag}.")
            if not refused:
                return redirect(_way_back(request) or reverse("photos", args=[unit.pk]))
            for sentence in refused:
                form.add_error("chosen", sentence)
    context = {
        "instrument": unit,
        "order": order,
        "form": form,
        "photos": list(queries.list_photos(unit, order)),
        "removed": list(queries.list_removed_photos(unit)),
        "may_erase": may(request.user, "instruments.dispose"),
        "back": _way_back(request),
    }
    return render(request, "inventory/photos/page.html", context, status=422 if form.errors else 200)


def _order(request: HttpRequest, unit: Instrument) -> WorkOrder | None:
    """Return the piece of work the address or the form names; 404 when it is not on this instrument."""
    named = request.POST.get("work_order") or request.GET.get("work_order") or ""
    if not named:
        return None
    if not (named.isascii() and named.isdigit() and len(named) < 18):
        raise Http404
    return get_object_or_404(WorkOrder, pk=int(named), instrument=unit)


def _way_back(request: HttpRequest) -> str:
    """Return the page the form stood on, when it is one of ours."""
    back = request.POST.get("back", "")
    ours = url_has_allowed_host_and_scheme(back, allowed_hosts={request.get_host()}, require_https=request.is_secure())
    return back if ours else ""


def _keep(request: HttpRequest, unit: Instrument, order: WorkOrder | None, data: dict[str, Any]) -> tuple[int, list[str]]:
    """Keep what can be kept; of each other one a sentence that names it."""
    kept, refused = 0, []
    for upload in data["sent"]:
        try:
            operations.add_photo(
                instrument=unit,
                upload=upload,
                caption=data["caption"],
                work_order=order,
                acting_user=acting_user(request),
                now=clock.now(),
            )
        except (operations.PictureRefusedError, operations.TooManyPhotosError, RowsBusyError) as error:
            refused.append(f"{str(upload.name)[:LONGEST_NAME]}: {error}")
        else:
            kept += 1
    return kept, refused


@require_safe
@requires("instruments.view")
def photo(request: HttpRequest, photo_id: int, size: str) -> HttpResponseBase:
    """Send a picture, or the small one of it; what was taken away is not there any more."""
    found = get_object_or_404(
        Photo.objects.only(size, "instrument__asset_tag").select_related("instrument"), pk=photo_id, removed_at=None
    )
    answer = HttpResponse(bytes(getattr(found, size)), content_type="image/jpeg")
    answer["Content-Disposition"] = f'inline; filename="{found.instrument.asset_tag}-{found.pk}.jpg"'
    answer["X-Content-Type-Options"] = "nosniff"
    answer["Cache-Control"] = "private, no-store"
    return answer


@requires("instruments.photograph")
def photo_remove(request: HttpRequest, photo_id: int) -> HttpResponseBase:
    """Take a picture away, with the reason; it can be put back."""
    found = get_object_or_404(Photo.objects.defer("image", "thumb").select_related("instrument", "taken_by"), pk=photo_id)
    page = reverse("photos", args=[found.instrument_id])
    if found.removed_at:
        messages.info(request, "This picture was removed already. It stands below, to be put back.")
        return redirect(page)
    form = RemovePhotoForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        return _act(
            request,
            page,
            lambda: operations.remove_photo(
                photo=found, because=form.cleaned_data["because"], acting_user=acting_user(request), now=clock.now()
            ),
            "The picture is removed. It stands below, to be put back.",
        )
    context = {"form": form, "photo": found, "instrument": found.instrument, "page": page}
    return render(request, "inventory/photos/remove.html", context, status=422 if form.errors else 200)


@require_POST
@requires("instruments.photograph")
@stands_on(_page_of)
def photo_put_back(request: HttpRequest, photo_id: int) -> HttpResponseBase:
    """Put a picture back that was taken away."""
    found = get_object_or_404(Photo.objects.defer("image", "thumb"), pk=photo_id)
    return _act(
        request,
        reverse("photos", args=[found.instrument_id]),
        lambda: operations.put_back_photo(photo=found, acting_user=acting_user(request)),
        "The picture is back.",
    )


@requires("instruments.dispose")
def photo_erase(request: HttpRequest, photo_id: int) -> HttpResponseBase:
    """Ask, then erase a picture that was taken away, for good."""
    removed = Photo.objects.defer("image", "thumb").select_related("instrument", "removed_by")
    found = get_object_or_404(removed, pk=photo_id, removed_at__isnull=False, erased_at=None)
    page = reverse("photos", args=[found.instrument_id])
    if request.method == "POST":
        return _act(
            request,
            page,
            lambda: operations.erase_photo(photo=found, acting_user=acting_user(request), now=clock.now()),
            "The picture is erased for good.",
        )
    return render(request, "inventory/photos/erase.html", {"photo": found, "instrument": found.instrument, "page": page})


def _act(request: HttpRequest, page: str, act: Any, done: str) -> HttpResponseBase:
    """Do it and say so, or say why not; either way on the page of the instrument's pictures."""
    try:
        act()
    except (operations.PhotoMovedOnError, operations.TooManyPhotosError, RowsBusyError) as error:
        messages.error(request, str(error))
    else:
        messages.success(request, done)
    return redirect(page)
