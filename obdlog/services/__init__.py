"""SAE J1979 / ISO 15031-5 services: payloads in, decoded results out; pure."""
