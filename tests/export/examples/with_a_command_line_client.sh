mosquitto_sub -h 127.0.0.1 -p 18830 -v -q 1 -t 'lampwarden/1/+/tests/+/spots/+' -t 'lampwarden/1/+/tests/+/summary'
