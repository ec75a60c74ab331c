//go:build !linux

package publish

func exchange(tmp, final string) error { return swap(tmp, final) }
