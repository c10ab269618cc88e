"""What those who run the office do: settings, second factors, all that is kept about a household."""
