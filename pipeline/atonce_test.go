package pipeline

import (
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

func TestAtOnce(t *testing.T) {
	type item struct {
		n   int
		key string
	}
	var items []item
	for i := range 60 {
		items = append(items, item{i, []string{"", "a", "b"}[i%3]})
	}
	for _, n := range []int{1, 4, 100} {
		var mu sync.Mutex
		var order []item
		var now, most, begun, ended atomic.Int64
		wait := AtOnce(items, n, func(x item) string { return x.key }, func() (func(item), func()) {
			begun.Add(1)
			return func(x item) {
				for k := now.Add(1); k > most.Load(); {
					most.Store(k)
				}
				time.Sleep(time.Millisecond)
				now.Add(-1)
				mu.Lock()
				order = append(order, x)
				mu.Unlock()
			}, func() { ended.Add(1) }
		})
		wait()
		if len(order) != len(items) || most.Load() > int64(n) || begun.Load() != ended.Load() || begun.Load() > 22 {
			t.Errorf("%d at once: %d of %d done, %d at a time, %d workers begun, %d ended", n, len(order), len(items), most.Load(), begun.Load(), ended.Load())
		}
		for _, key := range []string{"a", "b"} {
			var ns []int
			for _, x := range order {
				if x.key == key {
					ns = append(ns, x.n)
				}
			}
			if !slices.IsSorted(ns) {
				t.Errorf("%d at once: those of %q in the order %v", n, key, ns)
			}
		}
	}
}
