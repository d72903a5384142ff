"""Addresses of the doors from outside."""

from django.urls import path

from rentals.portal.directors import views as directors
from rentals.portal.home import views as home
from rentals.portal.poster import views as poster

urlpatterns = [
    path("start/<str:door_code>/", home.start, name="home_form"),
    path("start/<str:door_code>/<int:place>/review/", home.review, name="home_review"),
    path("start/<str:door_code>/<int:place>/done/", home.done, name="home_done"),
    path("start/<str:door_code>/<int:place>/another/", home.another, name="home_another"),
    path("start/<str:door_code>/<int:place>/<slug:page>/", home.page, name="home_page"),
    path("nights/<int:night_id>/form/", poster.night_door, name="night_door"),
    path("nights/<int:night_id>/form/open/", poster.night_door_open, name="night_door_open"),
    path("nights/<int:night_id>/form/close/", poster.night_door_close, name="night_door_close"),
    path("nights/<int:night_id>/poster/", poster.night_poster, name="night_poster"),
    path("nights/<int:night_id>/cards/", poster.night_cards, name="night_cards"),
    path("my-roster/", directors.director_roster, name="director_roster"),
    path("my-roster/file/", directors.director_roster_csv, name="director_roster_csv"),
    path("my-roster/list.pdf", directors.director_roster_pdf, name="director_roster_pdf"),
    path("my-roster/<int:programme_id>/", directors.director_programme, name="director_programme"),
    path("directors/<int:director_id>/sign-in/", directors.director_sign_in, name="director_sign_in"),
    path("directors/<int:director_id>/invite/", directors.director_invite, name="director_invite"),
    path("directors/<int:director_id>/end/", directors.director_end, name="director_end"),
]
