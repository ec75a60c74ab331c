package pipeline

import "sync"

// AtOnce works on items in n goroutines and returns at once; wait returns when
// all are done. Items with the same key, unless it is empty, are done one after
// the other in their order; beyond that they are begun in order. Each goroutine
// makes its own do, which end ends.
func AtOnce[T any](items []T, n int, key func(T) string, worker func() (do func(T), end func())) (wait func()) {
	var groups [][]T
	of := map[string]int{}
	for _, x := range items {
		k := key(x)
		at, known := of[k]
		if k == "" || !known {
			at = len(groups)
			groups = append(groups, nil)
			of[k] = at
		}
		groups[at] = append(groups[at], x)
	}
	work := make(chan []T, len(groups))
	for _, g := range groups {
		work <- g
	}
	close(work)
	var ending sync.WaitGroup
	for range min(n, len(groups)) {
		ending.Go(func() {
			do, end := worker()
			defer end()
			for g := range work {
				for _, x := range g {
					do(x)
				}
			}
		})
	}
	return ending.Wait
}
