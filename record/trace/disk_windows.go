package trace

// syncFolder has nothing to do: names are written with the files.
func syncFolder(string) error { return nil }
