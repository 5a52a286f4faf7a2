"""What the service answered before it was rearranged, and whether it still does."""
