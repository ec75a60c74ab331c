//go:build !linux

package depot

// renameNew renames to what doesn't exist.
func renameNew(from, to string) error { return renameOld(from, to) }
