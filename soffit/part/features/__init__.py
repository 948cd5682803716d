"""What parts of a part are for: holes for screws, pins and bearings, and faces that mate."""
