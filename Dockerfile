# Debian 12. Its own Go (1.19) is older than this module needs, so the base is
# the official Go image on Debian 12 (bookworm); everything else comes from the
# same set-up script as on a plain machine. Built and run with podman 4.3 on
# 2026-11-26, on a base made of Debian's packages and Go as the official image has
# them; not yet on that image itself.
#
#   docker build -t tapeline .
#   docker run --rm --user "$(id -u):$(id -g)" -v "$PWD:/clips" tapeline read swing.mp4 --height 170cm --out out
#
# Watching a folder, and nights: README, "In a container"; scripts/compose.yaml.
FROM golang:1.26-bookworm
ENV TAPELINE_HOME=/var/cache/tapeline
WORKDIR /src
COPY . .
RUN scripts/setup && go build -o /usr/local/bin/tapeline ./cmd/tapeline && go clean -cache \
	&& rm -rf /var/lib/apt/lists/* "$HOME/.npm"
WORKDIR /clips
ENTRYPOINT ["tapeline"]
