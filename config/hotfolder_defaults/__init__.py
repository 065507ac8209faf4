"""What a new root starts with: settings, destinations, and the recipes of the demo profiles."""
