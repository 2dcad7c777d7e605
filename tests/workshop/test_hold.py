"""The cutter reads where a job's film may lift: in mm, for the job's own film, as an estimate."""

import pytest
from django.urls import reverse

from orders.models import Closer
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def test_the_job_tells_the_lift_of_its_own_film(bench: Bench) -> None:
    job = factories.make_job()
    factories.make_closer(job.version, film_mm=float(job.film.thickness_mm))
    page = bench.see("workshop-job", job.code)
    assert "Where it may lift, estimated" in page
    assert "3.6 mm" in page
    assert "hangs free" in page
    assert "dab of 20 mN" in page
    picture = bench.client.get(reverse("workshop-job-hold", args=[job.code, 1]))
    assert picture["Content-Type"] == "image/png"


def test_another_film_than_was_looked_at_is_said(bench: Bench) -> None:
    job = factories.make_job()
    factories.make_closer(job.version, film_mm=0.254)
    assert "Not worked out for film of" in bench.see("workshop-job", job.code)


def test_it_says_when_it_is_still_being_worked_out_and_when_it_failed(bench: Bench) -> None:
    job = factories.make_job()
    Closer.objects.create(version=job.version)
    assert "Being worked out" in bench.see("workshop-job", job.code)
    Closer.objects.update(status="failed")
    assert "could not be worked out" in bench.see("workshop-job", job.code)
    missing = bench.client.get(reverse("workshop-job-hold", args=[job.code, 1]))
    assert missing.status_code == 404


def test_a_job_without_a_closer_look_says_nothing_of_it(bench: Bench) -> None:
    page = bench.see("workshop-job", factories.make_job().code)
    assert "Where it may lift, estimated" not in page
