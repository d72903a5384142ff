"""Settings, read from the environment. What a variable means stands in DEVELOPERS.md."""

import os
import sys
from pathlib import Path

from rentals import environment

BASE_DIR = Path(__file__).resolve().parent.parent
STATE_DIR = Path(os.environ.get("OFFICE_STATE_DIR", BASE_DIR / ".state"))

PRODUCTION = os.environ.get("OFFICE_ENVIRONMENT", "development") == "production"
if PRODUCTION:
    environment.refuse_unsafe_production()
DEBUG = not PRODUCTION and environment.flag("OFFICE_DEBUG", default=True)
DEMO = environment.flag("OFFICE_DEMO")

SECRET_KEY = os.environ.get("OFFICE_SECRET_KEY", "" if PRODUCTION else "development only, never served to the world 0123456789")
SECRET_KEY_FALLBACKS = environment.words("OFFICE_SECRET_KEY_FALLBACKS")
BANK_KEYS, BANK_INDEX_KEY = environment.bank_keys(production=PRODUCTION)
ALLOWED_HOSTS = environment.words("OFFICE_HOSTS", default="" if PRODUCTION else "localhost,127.0.0.1,testserver")
PUBLIC_URL = os.environ.get("OFFICE_PUBLIC_URL", "").rstrip("/")
CSRF_TRUSTED_ORIGINS = environment.words("OFFICE_ORIGINS")

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.contrib.postgres",
    "django.contrib.humanize",
    "django.forms",
    "djmoney",
    "django_htmx",
    "csp",
    "anymail",
    "pgtrigger",
    "pghistory",
    "allauth",
    "allauth.account",
    "allauth.mfa",
    "allauth.usersessions",
    "rentals.runtime",
    "rentals.staff",
    "rentals.jobs",
    "rentals.documents",
    "rentals.inventory",
    "schools",
    "rentals.families",
    "rentals.agreements",
    "billing",
    "rentals.portal",
    "rentals.counter",
]

MIDDLEWARE = [
    "rentals.runtime.logs.RequestIdMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "csp.middleware.CSPMiddleware",
    "django_permissions_policy.PermissionsPolicyMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "rentals.staff.middleware.NoStoreMiddleware",
    "rentals.staff.middleware.WithoutNulMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "rentals.staff.middleware.SessionLimitsMiddleware",
    "rentals.staff.parking.ParkingMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "allauth.usersessions.middleware.UserSessionsMiddleware",
    "rentals.staff.policy.DeclaredCapabilityMiddleware",
    "rentals.staff.middleware.SecondFactorMiddleware",
    "pghistory.middleware.HistoryMiddleware",
]

FORM_RENDERER = "rentals.runtime.forms.OfficeRenderer"

ROOT_URLCONF = "rentals.urls"
WSGI_APPLICATION = "rentals.wsgi.application"
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
                "rentals.staff.context.office",
            ],
        },
    },
]

DATABASE_URL = os.environ.get("DATABASE_URL", "postgresql://office_app@/office")
DATABASES = {"default": environment.database(DATABASE_URL, pooled=environment.flag("OFFICE_DB_POOL"))}
DATABASES["default"]["OPTIONS"].setdefault("application_name", environment.program(sys.argv))
REDIS_URL = os.environ.get("REDIS_URL", "redis://127.0.0.1:6379/0")
CACHES = {"default": {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": REDIS_URL, "KEY_PREFIX": "office"}}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "staff.User"

LANGUAGE_CODE = "en-us"
LANGUAGES = [("en", "English"), ("es", "Español")]
TIME_ZONE = os.environ.get("OFFICE_TIME_ZONE", "America/Chicago")
USE_TZ = True
USE_I18N = True
CURRENCY = os.environ.get("OFFICE_CURRENCY", "USD")
DEFAULT_CURRENCY = CURRENCY
CURRENCIES = (CURRENCY,)

STATIC_URL = "/static/"
STATICFILES_DIRS = [BASE_DIR / "static"]
STATIC_ROOT = STATE_DIR / "static"
MEDIA_ROOT = STATE_DIR / "files"
FINGERPRINTED = "rentals.runtime.storage.FingerprintedStorage"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage" if DEBUG else FINGERPRINTED},
}
WHITENOISE_AUTOREFRESH = DEBUG
WHITENOISE_USE_FINDERS = not PRODUCTION

# Without an address to send through, mails are written to files: the demo and development never reach anybody.
EMAIL_BACKEND = "django.core.mail.backends.filebased.EmailBackend"
EMAIL_FILE_PATH = STATE_DIR / "mail"
if os.environ.get("OFFICE_EMAIL_URL"):
    globals().update(environment.email(os.environ["OFFICE_EMAIL_URL"]))
EMAIL_PROVIDER = ""
globals().update(environment.mail_provider())
DEFAULT_FROM_EMAIL = os.environ.get("OFFICE_EMAIL_FROM", "office@rentals.example")

CELERY_BROKER_URL = environment.broker(REDIS_URL)
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_TRANSPORT_OPTIONS = {
    "visibility_timeout": 900,
    "unacked_restore_interval": 10,
    "unacked_restore_throttle": 1,
}
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_TASK_TIME_LIMIT = 600
CELERY_WORKER_CANCEL_LONG_RUNNING_TASKS_ON_CONNECTION_LOSS = True
CELERY_WORKER_LOG_FORMAT = "%(levelname)s %(message)s"
CELERY_WORKER_TASK_LOG_FORMAT = "%(levelname)s %(task_name)s: %(message)s"
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TIMEZONE = TIME_ZONE
# Cards: a processor named by its secret key, else the practice one where nothing is real. Keys come from the environment only.
STRIPE_KEY = os.environ.get("OFFICE_STRIPE_KEY", "")
STRIPE_WEBHOOK_SECRET = os.environ.get("OFFICE_STRIPE_WEBHOOK_SECRET", "")
STRIPE_API = ""
environment.refuse_half_a_processor(key=STRIPE_KEY, webhook_secret=STRIPE_WEBHOOK_SECRET)
CARD_PRACTICE = not STRIPE_KEY and (DEMO or not PRODUCTION)
CARD_PROCESSOR = "stripe" if STRIPE_KEY else "practice" if CARD_PRACTICE else ""

# The clock only ticks. What is due by the office's time stands on the timetable (rentals.jobs) and becomes a row there.
CELERY_BEAT_SCHEDULE: dict[str, dict[str, object]] = {"tick": {"task": "rentals.jobs.tasks.tick", "schedule": 20.0}}

# Nothing that a person typed goes into a log; the demo and a container's log collector add the time.
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "filters": {"request_id": {"()": "rentals.runtime.logs.RequestIdFilter"}},
    "formatters": {
        "line": {
            "()": "rentals.runtime.logs.DiscreetFormatter",
            "format": "%(levelname)s %(name)s [%(request_id)s]: %(message)s",
        }
    },
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line", "filters": ["request_id"]}},
    "root": {"handlers": ["console"], "level": "INFO"},
    "loggers": {
        "django": {"handlers": [], "propagate": True},
        "weasyprint": {"level": "ERROR"},
        "stripe": {"level": "ERROR"},
        "fontTools": {"level": "ERROR"},
    },
}

# Everything comes from this host, and nothing stands in the page itself: no inline script, style or handler.
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'self'"],
        "img-src": ["'self'", "data:", "blob:"],
        "object-src": ["'none'"],
        "base-uri": ["'none'"],
        "frame-ancestors": ["'none'"],
        # A form that starts a card payment is answered by the way to the processor's own page.
        "form-action": ["'self'", "https://checkout.stripe.com"] if STRIPE_KEY else ["'self'"],
    },
}
# Nothing of the device is asked for; only pages that scan open its camera (rentals.runtime.camera).
NEVER_ASKED_FOR = ("geolocation", "microphone", "payment", "usb", "accelerometer", "gyroscope", "magnetometer")
PERMISSIONS_POLICY: dict[str, list[str]] = {feature: [] for feature in ("camera", *NEVER_ASKED_FOR)}
X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_HTTPONLY = True
CSRF_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_HTTPONLY = True
if PRODUCTION:
    # The web server in front speaks HTTPS, sets X-Forwarded-Proto itself and drops a visitor's own.
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    SECURE_SSL_REDIRECT = True
    SECURE_HSTS_SECONDS = 31_536_000
    SECURE_HSTS_INCLUDE_SUBDOMAINS = True
    SECURE_HSTS_PRELOAD = True
    SESSION_COOKIE_SECURE = True
    SESSION_COOKIE_NAME = "__Host-session"
    CSRF_COOKIE_SECURE = True
    CSRF_COOKIE_NAME = "__Host-csrf"

# People sign in by e-mail address. Nobody signs themselves up; addresses belong to the administrator's list of people.
AUTHENTICATION_BACKENDS = ["allauth.account.auth_backends.AuthenticationBackend"]
PASSWORD_HASHERS = ["django.contrib.auth.hashers.Argon2PasswordHasher"]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "rentals.staff.passwords.LongEnough"},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "rentals.staff.passwords.NotGuessable"},
]
PASSWORD_RESET_TIMEOUT = 600  # how long a link to choose a password works, in seconds
LOGIN_URL = "account_login"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "account_login"
ACCOUNT_ADAPTER = "rentals.staff.sign_in.AccountAdapter"
ACCOUNT_LOGIN_METHODS = {"email"}
ACCOUNT_SIGNUP_FIELDS = ["email*", "password1*"]
ACCOUNT_USER_MODEL_USERNAME_FIELD = None
ACCOUNT_EMAIL_VERIFICATION = "none"
ACCOUNT_SESSION_REMEMBER = False
ACCOUNT_REAUTHENTICATION_TIMEOUT = 300
ACCOUNT_RATE_LIMITS = {"login_failed": "10/m/ip,5/5m/key"}
ACCOUNT_FORMS = {
    "login": "rentals.staff.forms.SignInForm",
    "reauthenticate": "rentals.staff.forms.ConfirmPasswordForm",
    "change_password": "rentals.staff.forms.ChangePasswordForm",
}
MFA_ADAPTER = "rentals.staff.sign_in.FactorAdapter"
MFA_SUPPORTED_TYPES = ["totp", "recovery_codes"]
MFA_TOTP_TOLERANCE = 1
MFA_RECOVERY_CODES_SHOW_ONCE = True
MFA_FORMS = {
    "authenticate": "rentals.staff.forms.CodeForm",
    "reauthenticate": "rentals.staff.forms.ConfirmCodeForm",
    "activate_totp": "rentals.staff.forms.SetUpFactorForm",
}
ALLAUTH_TRUSTED_PROXY_COUNT = int(os.environ.get("OFFICE_PROXIES", "1" if PRODUCTION else "0"))

# A session ends after so long without work, and in any case after so long since signing in.
SESSION_ENGINE = "django.contrib.sessions.backends.cached_db"
SESSION_IDLE_SECONDS = int(os.environ.get("OFFICE_IDLE_MINUTES", "30")) * 60
SESSION_COOKIE_AGE = 12 * 3600
SESSION_EXPIRE_AT_BROWSER_CLOSE = True
MESSAGE_STORAGE = "django.contrib.messages.storage.session.SessionStorage"
