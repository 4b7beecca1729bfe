#!/bin/sh
# Writes the accounts of ingest and simulator from the environment, keeps those of the cranes, and becomes the broker.
set -eu
passwords=/mosquitto/data/passwords
touch "$passwords"
chmod 600 "$passwords"
mosquitto_passwd -b "$passwords" ingest "$MQTT_INGEST_PASSWORD"
if [ -n "${MQTT_SIMULATOR_PASSWORD:-}" ]; then
  mosquitto_passwd -b "$passwords" simulator "$MQTT_SIMULATOR_PASSWORD"
else
  mosquitto_passwd -D "$passwords" simulator 2>/dev/null || true
fi
chown mosquitto:mosquitto "$passwords" 2>/dev/null || true
exec mosquitto -c /deploy/mosquitto.conf
