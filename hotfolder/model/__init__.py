"""Values only: what a destination, a record, a size or an hour is. Nothing here touches a disk."""
