# Kneelturn on Debian 12 with its Python 3.11. Build: docker build -t kneelturn .
# Run: docker run -p 8000:8000 -v kneelturn:/var/lib/kneelturn kneelturn
# tests/check_dockerfile.sh follows these steps in a bare Debian root, where no container engine is to be had.

FROM debian:bookworm-slim AS build
RUN apt-get update && apt-get install -y --no-install-recommends ca-certificates python3-venv
WORKDIR /src
RUN python3 -m venv /opt/kneelturn && /opt/kneelturn/bin/pip install --no-cache-dir uv
ENV UV_PROJECT_ENVIRONMENT=/opt/kneelturn UV_NO_CACHE=1 UV_COMPILE_BYTECODE=1
COPY pyproject.toml uv.lock ./
RUN /opt/kneelturn/bin/uv sync --inexact --locked --extra postgres --no-install-project
COPY README.md LICENSE ./
COPY app app
COPY vision vision
COPY sample_images sample_images
RUN /opt/kneelturn/bin/uv sync --inexact --locked --extra postgres --no-editable && /opt/kneelturn/bin/uv pip uninstall --python /opt/kneelturn/bin/python uv

FROM debian:bookworm-slim
RUN apt-get update && apt-get install -y --no-install-recommends python3 libgl1 libglib2.0-0 libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 && rm -rf /var/lib/apt/lists/*
RUN useradd --system --create-home --home-dir /var/lib/kneelturn kneelturn
COPY --from=build /opt/kneelturn /opt/kneelturn
ENV PATH=/opt/kneelturn/bin:$PATH KNEELTURN_HOST=0.0.0.0 KNEELTURN_PORT=8000 KNEELTURN_DATA_FOLDER=/var/lib/kneelturn/data
USER kneelturn
WORKDIR /var/lib/kneelturn
VOLUME /var/lib/kneelturn
EXPOSE 8000
HEALTHCHECK --interval=30s --timeout=5s --start-period=30s CMD ["python3", "-c", "import urllib.request; urllib.request.urlopen('http://127.0.0.1:8000/health', timeout=4)"]
CMD ["kneelturn", "serve"]
