//go:build !linux

package clip

func wide(any) {}
