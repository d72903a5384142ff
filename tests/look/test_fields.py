"""What people write into a form, and the one value each spelling becomes."""

import datetime
from decimal import Decimal

import pytest
from django import forms
from django.core.exceptions import ValidationError
from djmoney.forms.fields import MoneyField as TwoPartMoney
from moneyed import Money

from rentals.runtime.forms import (
    CodeField,
    DayField,
    MoneyField,
    OfficeForm,
    PhoneField,
    PostcodeField,
    StrokesField,
    WholeNumberField,
)


class TestMoneyField:
    @pytest.mark.parametrize(
        "spelling",
        [
            "1,250.50",
            "$1250.5",
            "1250.5",
            "1250.50",
            " 1250.50 ",
            "$ 1,250.50",
            "1 250.50",
            "1250.50 USD",
            "$1,250.5",
            "01250.50",
            "1\u00a0250.50",
            "1,250.50\n",
        ],
    )
    def test_takes_twelve_spellings_for_one_amount(self, spelling):
        assert MoneyField().clean(spelling) == Money("1250.50", "USD")

    @pytest.mark.parametrize(
        "spelling",
        [
            "12,50",
            "1,25.50",
            "1.250,50",
            "12.505",
            "twelve",
            "1e3",
            "NaN",
            "Infinity",
            "$",
            ".",
            "1..5",
            "٣٤",
            "--5",
            "1 25",
            "1,250 500",
        ],
    )
    def test_refuses_what_could_be_read_two_ways(self, spelling):
        with pytest.raises(ValidationError) as refused:
            MoneyField(least=-100).clean(spelling)
        assert "1,250.50" in refused.value.messages[0]

    def test_keeps_between_least_and_most(self):
        field = MoneyField(least=1, most=Decimal("100.00"))
        assert field.clean("1").amount == 1
        assert field.clean("100").amount == 100
        for outside in ("0.99", "100.01", "-5"):
            with pytest.raises(ValidationError):
                field.clean(outside)

    @pytest.mark.parametrize("spelling", ["-12.50", "−12.50", "-$12.50", "$-12.50"])
    def test_takes_negative_amounts_where_allowed(self, spelling):
        assert MoneyField(least=-100).clean(spelling) == Money("-12.50", "USD")

    def test_gives_none_for_nothing_when_optional(self):
        assert MoneyField(required=False).clean(" ") is None

    def test_refuses_more_than_a_column_holds(self):
        with pytest.raises(ValidationError, match="larger"):
            MoneyField().clean("10000000000")

    @pytest.mark.parametrize("figures", ["9" * 13, "9" * 40, "9" * 5000, "9" * 40 + ".99"])
    def test_refuses_figures_without_end(self, figures):
        with pytest.raises(ValidationError, match="larger"):
            MoneyField().clean(figures)

    def test_takes_leading_zeros(self):
        assert MoneyField().clean("0" * 30 + "12.50") == Money("12.50", "USD")

    def test_shows_stored_amounts_as_people_type_them_and_typed_ones_as_typed(self):
        assert MoneyField().prepare_value(Money("1250.5", "USD")) == "1,250.50"
        assert MoneyField().prepare_value("12,50") == "12,50"

    def test_sees_no_change_in_another_spelling(self):
        assert not MoneyField().has_changed(Money("1250.50", "USD"), "$1,250.5")
        assert MoneyField().has_changed(Money("1250.50", "USD"), "1250.51")


class TestPhoneField:
    @pytest.mark.parametrize(
        "spelling",
        [
            "(312) 555-0142",
            "312-555-0142",
            "312.555.0142",
            "312 555 0142",
            "3125550142",
            "+1 312 555 0142",
            "1-312-555-0142",
            " 312 555 0142 ",
            "+13125550142",
            "[312] 555 0142",
            "312–555–0142",
            "(312)555-0142",
        ],
    )
    def test_takes_twelve_spellings_for_one_number(self, spelling):
        assert PhoneField().clean(spelling) == "+13125550142"

    @pytest.mark.parametrize("spelling", ["555-0142", "312 555 014", "call me", "3125550142999"])
    def test_refuses_what_cannot_be_dialled(self, spelling):
        with pytest.raises(ValidationError, match="area code"):
            PhoneField().clean(spelling)

    def test_asks_to_leave_out_the_extension(self):
        with pytest.raises(ValidationError, match="extension"):
            PhoneField().clean("312 555 0142 x12")

    def test_shows_a_stored_number_as_people_read_it(self):
        assert PhoneField().prepare_value("+13125550142") == "(312) 555-0142"
        assert PhoneField().prepare_value("312.555.0142") == "312.555.0142"


class TestDayField:
    @pytest.mark.parametrize(
        "spelling",
        [
            "11/24/2026",
            "11/24/26",
            "11-24-2026",
            "11.24.2026",
            "2026-11-24",
            "Nov 24, 2026",
            "November 24, 2026",
            " 11/24/2026 ",
            "nov 24 2026",
            "11-24-26",
        ],
    )
    def test_takes_usual_spellings(self, spelling):
        assert DayField().clean(spelling) == datetime.date(2026, 11, 24)

    @pytest.mark.parametrize("spelling", ["24/11/2026", "02/30/2026", "tomorrow", "11/24"])
    def test_refuses_others(self, spelling):
        with pytest.raises(ValidationError, match="month/day/year"):
            DayField().clean(spelling)

    @pytest.mark.parametrize("spelling", ["12/31/9999", "01/01/0001", "1899-12-31", "2101-01-01"])
    def test_refuses_a_year_that_nobody_means(self, spelling):
        with pytest.raises(ValidationError, match="Check the year"):
            DayField().clean(spelling)

    def test_takes_the_first_and_the_last_day_that_are_likely(self):
        assert DayField().clean("1900-01-01") == datetime.date(1900, 1, 1)
        assert DayField().clean("2100-12-31") == datetime.date(2100, 12, 31)


class TestCodes:
    @pytest.mark.parametrize("spelling", ["62704-1234", "62704 1234", "627041234", " 62704-1234 ", "62704–1234"])
    def test_postcode_takes_nine_digits_any_way(self, spelling):
        assert PostcodeField().clean(spelling) == "62704-1234"

    @pytest.mark.parametrize("spelling", ["6270", "627044", "ABCDE", "٦٢٧٠٤"])
    def test_postcode_refuses_others(self, spelling):
        with pytest.raises(ValidationError, match="ZIP"):
            PostcodeField().clean(spelling)

    def test_code_is_written_in_capitals(self):
        assert CodeField().clean("  vn-0312 ") == "VN-0312"

    def test_whole_number_takes_commas(self):
        assert WholeNumberField().clean(" 1,200 ") == 1200
        with pytest.raises(ValidationError, match="whole number"):
            WholeNumberField().clean("1,20")


class TestStrokesField:
    @pytest.mark.parametrize("path", ["", "M1 2L3 4", "M0 0L680 200M5 5L6 6L7 9"])
    def test_takes_strokes_inside_the_box(self, path):
        assert StrokesField().clean(path) == path

    @pytest.mark.parametrize(
        "path",
        [
            "M1 2",
            "M1 2L681 4",
            "M1 2L3 201",
            "M1 2C3 4 5 6 7 8",
            'M1 2L3 4"/><script>',
            "L1 2",
            "M1 2L-3 4",
            "M1  2L3 4",
            "x" * 70_000,
        ],
    )
    def test_refuses_anything_else(self, path):
        with pytest.raises(ValidationError):
            StrokesField().clean(path)


class Sample(OfficeForm):
    first_name = forms.CharField(max_length=40)
    phone = PhoneField()
    rent = forms.DecimalField(min_value=0)
    weeks = forms.IntegerField(label="How many weeks?")
    size = forms.ChoiceField(choices=[("1/2", "1/2")])
    agree = forms.BooleanField(label="I agree.")


class OwnPhone(Sample):
    on_shared_device = False


class TestOfficeForm:
    def test_never_draws_number_inputs_or_browser_validation(self):
        html = str(Sample())
        assert 'type="number"' not in html
        assert " required" not in html
        assert "maxlength" not in html
        assert 'inputmode="decimal"' in html
        assert 'inputmode="numeric"' in html

    def test_keeps_the_last_family_off_the_office_tablet(self):
        fields = Sample().fields
        assert fields["first_name"].widget.attrs["autocomplete"] == "off"
        assert fields["phone"].widget.attrs["autocomplete"] == "off"

    def test_tells_a_family_s_own_device_what_each_field_is(self):
        fields = OwnPhone().fields
        assert fields["first_name"].widget.attrs["autocomplete"] == "given-name"
        assert fields["phone"].widget.attrs["autocomplete"] == "tel"
        assert fields["first_name"].widget.attrs["spellcheck"] == "false"

    def test_names_what_is_missing(self):
        form = Sample({})
        assert form.errors["first_name"] == ["Fill in “First name”."]
        assert form.errors["weeks"] == ["Fill in “How many weeks”."]
        assert form.errors["size"] == ["Choose an answer for “Size”."]
        assert form.errors["agree"] == ["Tick “I agree”."]

    def test_does_not_change_the_class(self):
        Sample({}).is_valid()
        assert Sample.base_fields["first_name"].error_messages["required"] == "This field is required."


class TestOurKindOfField:
    def test_takes_the_place_of_djangos_amounts_and_days(self):
        class Price(OfficeForm):
            rent = TwoPartMoney(label="Rent", default_currency="USD")
            due_on = forms.DateField(label="Due on")

        form = Price({"rent": "$1,250.5", "due_on": "11-24-26"})
        assert form.is_valid(), form.errors
        assert form.cleaned_data == {"rent": Money("1250.50", "USD"), "due_on": datetime.date(2026, 11, 24)}
        assert "<select" not in str(form)
