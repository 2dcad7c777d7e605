# One image for the site, the worker and the sweep; docker-compose.yml says which is which.
FROM python:3.12-slim

ENV PYTHONUNBUFFERED=1 \
    PYTHONDONTWRITEBYTECODE=1 \
    PIP_NO_CACHE_DIR=1 \
    PIP_DISABLE_PIP_VERSION_CHECK=1 \
    HOLDFAST_VAR=/data \
    HOLDFAST_STATIC=/app/static-gathered \
    NUMBA_CACHE_DIR=/app/kernels

RUN useradd --system --uid 10001 --create-home --shell /usr/sbin/nologin holdfast \
    && mkdir -p /app/kernels /app/static-gathered /data \
    && chown holdfast:holdfast /app/kernels /app/static-gathered /data

WORKDIR /app

# packages change more seldom than the code, so they get a layer of their own
COPY requirements.lock ./
RUN pip install --require-hashes --no-deps -r requirements.lock

COPY manage.py ./
COPY config ./config
COPY geometry ./geometry
COPY pricing ./pricing
COPY orders ./orders
COPY templates ./templates
COPY static ./static

# as the user that runs it: a kernel cache is only read where it could also be written
USER holdfast
RUN python -m geometry warm \
    && HOLDFAST_VAR=/tmp/build python manage.py collectstatic --noinput --verbosity 0 \
    && rm -rf /tmp/build

VOLUME /data
EXPOSE 8000
CMD ["gunicorn", "config.wsgi", "--bind", "0.0.0.0:8000", "--worker-class", "gthread", \
     "--workers", "2", "--threads", "8", "--timeout", "60", "--graceful-timeout", "10", \
     "--log-level", "warning", "--no-control-socket", \
     "--logger-class", "config.logs.GunicornLogger"]
