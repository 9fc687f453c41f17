package plan

import (
	"runtime"
	"sync"

	"sapward/measure/tree"
)

// Source yields the trees of a block in chunks, in the same order each time it
// is called. It lets a block larger than memory be planned in a few readings.
type Source func(yield func([]tree.Tree) error) error

// Slice is a source of trees held in memory.
func Slice(trees []tree.Tree) Source {
	const chunk = 4096
	return func(yield func([]tree.Tree) error) error {
		for i := 0; i < len(trees); i += chunk {
			if err := yield(trees[i:min(i+chunk, len(trees))]); err != nil {
				return err
			}
		}
		return nil
	}
}

// each applies work to every chunk on all processors and hands the results to
// done in the order of the chunks, so that the result does not depend on the
// number of processors. work must be pure.
func each[T any](src Source, work func([]tree.Tree) T, done func(T) error) error {
	workers := runtime.GOMAXPROCS(0)
	type job struct {
		trees []tree.Tree
		out   chan T
	}
	jobs := make(chan job)
	queue := make(chan job, 2*workers)
	stop := make(chan struct{})
	var wg sync.WaitGroup
	for range workers {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for j := range jobs {
				j.out <- work(j.trees)
			}
		}()
	}
	var doneErr error
	finished := make(chan struct{})
	go func() {
		defer close(finished)
		for j := range queue {
			result := <-j.out
			if doneErr != nil {
				continue
			}
			if doneErr = done(result); doneErr != nil {
				close(stop)
			}
		}
	}()
	srcErr := src(func(trees []tree.Tree) error {
		j := job{trees, make(chan T, 1)}
		select {
		case <-stop:
			return errStopped
		case queue <- j:
		}
		jobs <- j
		return nil
	})
	close(jobs)
	wg.Wait()
	close(queue)
	<-finished
	if doneErr != nil {
		return doneErr
	}
	return srcErr
}

// errStopped ends a source early once the receiver has failed; each returns
// the receiver's error in its place.
var errStopped = stopped{}

type stopped struct{}

func (stopped) Error() string { return "plan: stopped" }
