// Placeholder until the attribution table lands.
