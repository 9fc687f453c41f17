package app

import "context"

type watchKey struct{}

// Watched is a context whose long use cases tell how far they are: done of a
// number of things, in order, from the goroutine that works.
func Watched(ctx context.Context, progress func(done, of int64)) context.Context {
	return context.WithValue(ctx, watchKey{}, progress)
}

func watched(ctx context.Context, done, of int64) {
	if f, ok := ctx.Value(watchKey{}).(func(done, of int64)); ok {
		f(done, of)
	}
}
