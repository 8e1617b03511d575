"""fairtake finishes spoken-word takes: dropped raw, found mastered, with a receipt that proves it."""
