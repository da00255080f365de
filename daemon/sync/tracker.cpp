// Placeholder until the tracker lands.
