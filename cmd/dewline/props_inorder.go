package main

import (
	"context"
	"iter"
)

// inOrder hands items to n workers, each a function made by worker, and yields their results in the
// order of the items. It holds a few items for each worker and takes no more until those are taken.
func inOrder[T, R any](ctx context.Context, n int, items iter.Seq[T], worker func() func(T) R) iter.Seq[R] {
	type job struct {
		item   T
		result chan R
	}
	return func(yield func(R) bool) {
		ctx, stop := context.WithCancel(ctx)
		defer stop()
		work, ordered := make(chan job), make(chan job, 2*n)
		go func() {
			defer close(ordered)
			defer close(work)
			for item := range items {
				j := job{item, make(chan R, 1)}
				for _, to := range []chan job{ordered, work} {
					select {
					case to <- j:
					case <-ctx.Done():
						return
					}
				}
			}
		}()
		for range n {
			go func() {
				do := worker()
				for j := range work {
					j.result <- do(j.item)
				}
			}()
		}
		for {
			select {
			case j, ok := <-ordered:
				if !ok {
					return
				}
				select {
				case result := <-j.result:
					if !yield(result) {
						return
					}
				case <-ctx.Done():
					return
				}
			case <-ctx.Done():
				return
			}
		}
	}
}
