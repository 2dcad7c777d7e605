"""Every setting, read from the environment; with none set this is the embedded installation.

Embedded: SQLite, a broker of files, mails as files, all under one folder (HOLDFAST_VAR).
Production: DATABASE_URL (PostgreSQL), REDIS_URL, HOLDFAST_MAIL_URL, HOLDFAST_ADDRESS.
docs/running.md lists the variables.
"""

from datetime import timedelta
from pathlib import Path
from urllib.parse import urlsplit

from csp.constants import NONE, SELF

from config import environment as read

ENVIRONMENT = read.Environment.of_this_process()
BASE_DIR = Path(__file__).resolve().parent.parent

# --- what lives: database, uploads, broker, mails, static files, key, in one folder
VAR = ENVIRONMENT.folder("HOLDFAST_VAR", BASE_DIR / "var")
read.make_living_folder(VAR)
SECRET_KEY = read.secret_key(ENVIRONMENT.text("HOLDFAST_SECRET_KEY"), VAR / "secret-key")
DEBUG = ENVIRONMENT.flag("HOLDFAST_DEBUG")

# --- address: links in mails, cookies and the host check follow from it
PUBLIC_ADDRESS = ENVIRONMENT.address("HOLDFAST_ADDRESS", "http://127.0.0.1:8000")
IS_HTTPS = PUBLIC_ADDRESS.startswith("https://")
ALLOWED_HOSTS = [
    *{"127.0.0.1", "localhost", "[::1]", urlsplit(PUBLIC_ADDRESS).hostname or "localhost"},
    *ENVIRONMENT.words("HOLDFAST_HOSTS"),
]
CSRF_TRUSTED_ORIGINS = [PUBLIC_ADDRESS]
IS_BEHIND_PROXY = ENVIRONMENT.flag("HOLDFAST_BEHIND_PROXY")
if IS_BEHIND_PROXY:
    # only a proxy that overwrites this header may be trusted with it
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django_htmx",
    "csp",
    "axes",
    "allauth",
    "allauth.account",
    "allauth.mfa",
    "pricing",
    "orders",
]
MIDDLEWARE = [
    "config.logs.RequestLogMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "csp.middleware.CSPMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "config.headers.HeadersMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "config.null_characters.NullCharacterMiddleware",
    "config.store_away.StoreAwayMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "axes.middleware.AxesMiddleware",
    "orders.too_often.TooOftenMiddleware",
]
ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"
ASGI_APPLICATION = "config.asgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ],
        },
    },
]

# --- database and cache
DATABASES = {
    "default": read.database(ENVIRONMENT.text("DATABASE_URL"), VAR / "holdfast.sqlite3"),
}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
REDIS_URL = ENVIRONMENT.text("REDIS_URL")
# shared by all processes, so that the limits on sign-in tries hold across them
if REDIS_URL:
    CACHES = {
        "default": {
            "BACKEND": "config.patient_cache.PatientRedisCache",
            "LOCATION": REDIS_URL,
            "KEY_PREFIX": "holdfast",
            "OPTIONS": {"socket_connect_timeout": 2, "socket_timeout": 3},
        }
    }
else:
    CACHES = {
        "default": {
            "BACKEND": "config.patient_cache.PatientFileCache",
            "LOCATION": str(VAR / "cache"),
        }
    }

# --- the worker
_BROKER = read.broker(REDIS_URL, VAR / "broker")
CELERY_BROKER_URL = _BROKER["url"]
CELERY_BROKER_TRANSPORT = _BROKER["transport"]
CELERY_BROKER_TRANSPORT_OPTIONS = _BROKER["transport_options"]
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_CONNECTION_TIMEOUT = 3
CELERY_TASK_IGNORE_RESULT = True  # the database row holds what came of it
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_TASK_TIME_LIMIT = 120  # seconds; a check takes about one
CELERY_TASK_PUBLISH_RETRY = False  # the sweep sends again what could not be sent
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_CANCEL_LONG_RUNNING_TASKS_ON_CONNECTION_LOSS = True
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_WORKER_SEND_TASK_EVENTS = False
# health checks ask the worker through it; on the broker of files it would poll for nothing
CELERY_WORKER_ENABLE_REMOTE_CONTROL = bool(REDIS_URL)

# --- people
AUTH_USER_MODEL = "orders.Person"
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "allauth.account.auth_backends.AuthenticationBackend",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator"},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
LOGIN_URL = "/sign-in/"
LOGIN_REDIRECT_URL = "/mine/"
LOGOUT_REDIRECT_URL = "/"
ACCOUNT_ADAPTER = "config.sign_in.SignInAdapter"
ACCOUNT_LOGIN_METHODS = {"email"}
ACCOUNT_SIGNUP_FIELDS = ["email*"]
ACCOUNT_USER_MODEL_USERNAME_FIELD = None
ACCOUNT_EMAIL_VERIFICATION = "none"  # the mailed code is the proof of the address
ACCOUNT_UNIQUE_EMAIL = True
ACCOUNT_LOGIN_BY_CODE_ENABLED = True
ACCOUNT_LOGIN_BY_CODE_TIMEOUT = 15 * 60
ACCOUNT_LOGIN_BY_CODE_MAX_ATTEMPTS = 3
# six figures: a phone shows its number keys, and three tries in a million are few enough;
# where very many are asked for or were wrong, config/sign_in.py makes it nine
ACCOUNT_LOGIN_BY_CODE_FORMAT = {"numeric": True, "dashed": False, "length": 6}
ACCOUNT_LOGIN_BY_CODE_SUPPORTS_RESEND = 3
ACCOUNT_LOGIN_TIMEOUT = 60 * 60  # the whole of it, with codes that were sent again
ACCOUNT_EMAIL_UNKNOWN_ACCOUNTS = False  # nobody can have strangers mailed through this page
ACCOUNT_EMAIL_SUBJECT_PREFIX = ""
# never by mail address, or strangers would keep its owner out; orders/limits.py counts the rest
ACCOUNT_RATE_LIMITS = {"request_login_code": "20/m/ip"}
ACCOUNT_SESSION_REMEMBER = True
ACCOUNT_DEFAULT_HTTP_PROTOCOL = "https" if IS_HTTPS else "http"
CODES_SENT_BESIDE = True  # by a thread, so that an answer takes as long for any address
# the workshop's second step: "offered", or "required" of everybody there before any other page
SECOND_STEP = ENVIRONMENT.one_of("HOLDFAST_SECOND_STEP", ("offered", "required"))
MFA_ADAPTER = "config.second_step.SecondStepAdapter"
MFA_SUPPORTED_TYPES = ["totp", "recovery_codes"]
MFA_TOTP_TOLERANCE = 1  # steps of half a minute by which a phone's clock may be off
AXES_FAILURE_LIMIT = 10
AXES_COOLOFF_TIME = timedelta(minutes=15)
AXES_CLIENT_IP_CALLABLE = "config.sign_in.client_address"
AXES_USERNAME_CALLABLE = "config.sign_in.sign_in_name"
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_LOCKOUT_TEMPLATE = "429.html"

# --- how often something may be done: orders/limits.py has the table, this changes rows of it
LIMITS = ENVIRONMENT.limits("HOLDFAST_LIMITS")

# --- how long the workshop keeps what was ordered after its artist took it away, in days
# two years: the guarantee of the EU's sales directive (2019/771, article 10), for remakes
KEEP_ORDERED_DAYS = ENVIRONMENT.whole_number("HOLDFAST_KEEP_ORDERED_DAYS", 730)
# a drawing that nobody signed in for; the session that owns it lasts 120 days without a visit
KEEP_UNCLAIMED_DAYS = ENVIRONMENT.whole_number("HOLDFAST_KEEP_UNCLAIMED_DAYS", 180)
# name and address on invoices; ten years is a usual term for books, the local law decides
KEEP_BOOKS_DAYS = ENVIRONMENT.whole_number("HOLDFAST_KEEP_BOOKS_DAYS", 3650)

# --- sessions and safety
# a drawing without an account belongs to the browser session, so it lasts a season
SESSION_COOKIE_AGE = 120 * 24 * 3600
# names and addresses of everybody are behind the workshop's sign-in: it is asked for every month
WORKSHOP_SIGN_IN_AGE = 30 * 24 * 3600
SESSION_COOKIE_SECURE = IS_HTTPS
# a browser takes a name like this from this very host only, over https, for all its paths
SESSION_COOKIE_NAME = "__Host-session" if IS_HTTPS else "sessionid"
CSRF_COOKIE_NAME = "__Host-csrf" if IS_HTTPS else "csrftoken"
SESSION_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_SECURE = IS_HTTPS
CSRF_COOKIE_SAMESITE = "Lax"
SECURE_SSL_REDIRECT = IS_HTTPS and IS_BEHIND_PROXY
SECURE_REDIRECT_EXEMPT = [r"^(healthz|readyz)$"]  # asked from inside, without the proxy
SECURE_HSTS_SECONDS = 365 * 24 * 3600 if IS_HTTPS else 0
# other hosts of the same domain may belong to others, so they are not spoken for
SILENCED_SYSTEM_CHECKS = ["security.W005", "security.W021"]
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "img-src": [SELF, "data:", "blob:"],
        "object-src": [NONE],
        "base-uri": [SELF],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    },
}

# --- uploads: spooled to disk up to a cap, never held in memory; each view sets its own limit
FILE_UPLOAD_HANDLERS = ["config.upload_handler.CappedUploadHandler"]
FILE_UPLOAD_TEMP_DIR = str(VAR / "incoming")
FILE_UPLOAD_PERMISSIONS = 0o640
DATA_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024  # bytes of a form without its files
DATA_UPLOAD_MAX_NUMBER_FILES = 50
MEDIA_ROOT = str(VAR / "media")  # never served by address: views hand out what may be seen
MEDIA_URL = "/media-is-not-served/"
# prepared pictures (orders/prepared.py): a cache of large files, made again when they are gone
PREPARED_FOLDER = str(VAR / "prepared")

STATIC_URL = "/static/"
# an image gathers them when it is built, an installation of run.py when it is set up
STATIC_ROOT = str(ENVIRONMENT.folder("HOLDFAST_STATIC", VAR / "static"))
STATICFILES_DIRS = [BASE_DIR / "static"]
STORAGES = {
    "default": read.files(
        ENVIRONMENT.text("HOLDFAST_FILES_URL"),
        key=ENVIRONMENT.text("HOLDFAST_FILES_KEY"),
        secret=ENVIRONMENT.text("HOLDFAST_FILES_SECRET"),
    ),
    "staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"},
}

# --- mail
EMAIL_FILE_PATH = str(VAR / "mails")
globals().update(read.mail(ENVIRONMENT.text("HOLDFAST_MAIL_URL")))
DEFAULT_FROM_EMAIL = ENVIRONMENT.text("HOLDFAST_MAIL_FROM", "Holdfast <workshop@localhost>")
SERVER_EMAIL = DEFAULT_FROM_EMAIL

# --- language and time
LANGUAGE_CODE = "en"
USE_I18N = False  # English only: pages need not ask for the language at every number
USE_TZ = True
TIME_ZONE = ENVIRONMENT.time_zone("HOLDFAST_TIME_ZONE", "UTC")
CELERY_TIMEZONE = TIME_ZONE

# --- logs: on stderr, without personal data (config/logs.py)
LOG_FORMAT = ENVIRONMENT.one_of("HOLDFAST_LOG_FORMAT", ("lines", "json"))
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "filters": {"whose": {"()": "config.logs.WhoseFilter"}},
    "formatters": {
        "lines": {
            "()": "config.logs.LineFormatter",
            "format": "{asctime} {levelname} {name} [{request_id} {job_id}]: {message}",
            "style": "{",
        },
        "json": {
            "()": "config.logs.StruckJsonFormatter",
            "format": "{asctime}{levelname}{name}{request_id}{job_id}{message}",
            "style": "{",
            "rename_fields": {"asctime": "at", "levelname": "level", "name": "logger"},
        },
    },
    "handlers": {
        "stderr": {
            "class": "logging.StreamHandler",
            "formatter": LOG_FORMAT,
            "filters": ["whose"],
        }
    },
    "root": {"handlers": ["stderr"], "level": ENVIRONMENT.text("HOLDFAST_LOG_LEVEL", "WARNING")},
    "loggers": {
        # Django's own handlers print only with DEBUG or mail to nobody
        "django": {"handlers": ["stderr"], "level": "WARNING", "propagate": False},
        "orders": {"handlers": ["stderr"], "level": "INFO", "propagate": False},
        # a line for each request is for what gathers logs, not for a terminal
        "holdfast.requests": {"level": "INFO" if LOG_FORMAT == "json" else "WARNING"},
        # it would write names and addresses of those who try to sign in; the tries are in the rows
        "axes": {"level": "ERROR"},
    },
}
