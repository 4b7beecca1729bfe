FROM python:3.11-slim-bookworm AS build
WORKDIR /build
COPY requirements.lock ./
RUN python -m venv /opt/boomledger && /opt/boomledger/bin/pip install --no-cache-dir --require-hashes -r requirements.lock
COPY pyproject.toml README.md LICENSE ./
COPY domain domain
COPY duty duty
COPY store store
COPY transfer transfer
COPY ingest ingest
COPY analytics analytics
COPY alerts alerts
COPY answers answers
COPY words words
COPY reports reports
COPY api api
COPY dashboard dashboard
COPY simulator simulator
COPY boomledger boomledger
RUN /opt/boomledger/bin/pip install --no-cache-dir --no-deps .

FROM python:3.11-slim-bookworm
RUN useradd --system --uid 10001 --create-home --home-dir /var/lib/boomledger boomledger
COPY --from=build /opt/boomledger /opt/boomledger
ENV PATH=/opt/boomledger/bin:$PATH \
    PYTHONUNBUFFERED=1 \
    NUMBA_CACHE_DIR=/opt/boomledger/numba \
    MPLCONFIGDIR=/tmp/matplotlib \
    BOOMLEDGER_DATA_DIR=/var/lib/boomledger
# Compile the counting loops once, so that no process has to.
RUN python -c "import duty; duty.warm_up()"
USER boomledger
WORKDIR /var/lib/boomledger
ENTRYPOINT ["boomledger"]
CMD ["--help"]
