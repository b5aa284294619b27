# The service's image: web, worker and beat are the same image with other commands (compose.yaml).
FROM python:3.11.7-slim-bookworm

# pg_dump and psql for manage.py backup and restore: Debian 12's are of PostgreSQL 15, as the server.
RUN apt-get update -q \
 && apt-get install -q -y --no-install-recommends postgresql-client \
 && rm -rf /var/lib/apt/lists/*

WORKDIR /service
COPY requirements.txt .
RUN pip install --no-cache-dir -r requirements.txt
COPY . .

ENV DJANGO_SETTINGS_MODULE=config.settings.prod DATA_DIR=/data PYTHONUNBUFFERED=1
RUN useradd --create-home service && mkdir /data && chown service /data
USER service
VOLUME /data
CMD ["gunicorn", "config.wsgi"]
