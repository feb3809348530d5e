# The service in a container: a static binary, no shell, no root.
#
#   docker build -t selvage .
#   docker run --rm -p 127.0.0.1:7411:7411 selvage
#
# Out of the box it talks without TLS and without tokens: publish the port on
# loopback only, as above, or mount certificates and set SELVAGE_TLS_CERT,
# SELVAGE_TLS_KEY and SELVAGE_TOKENS (selvage serve --help).

FROM golang:1.26-bookworm AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY api ./api
COPY client ./client
COPY cmd ./cmd
COPY server ./server
COPY transfer ./transfer
RUN CGO_ENABLED=0 go build -trimpath -ldflags='-s -w' -o /out/selvage ./cmd/selvage \
 && mkdir -p /out/store

FROM gcr.io/distroless/static-debian12:nonroot
COPY --from=build /out/selvage /usr/local/bin/selvage
# The store's folder belongs to the user that the base image runs as.
COPY --from=build --chown=65532:65532 /out/store /var/lib/selvage
ENV SELVAGE_LISTEN=0.0.0.0:7411 \
    SELVAGE_ALLOW_INSECURE=true \
    SELVAGE_STORE=/var/lib/selvage
USER 65532:65532
VOLUME /var/lib/selvage
EXPOSE 7411
HEALTHCHECK --interval=10s --timeout=3s --start-period=5s CMD ["/usr/local/bin/selvage", "health"]
ENTRYPOINT ["/usr/local/bin/selvage"]
CMD ["serve"]
