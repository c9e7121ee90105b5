package chain

import (
	"cmp"
	"runtime"
	"slices"
	"sync"
)

// signature is one signature to be checked.
type signature struct {
	row    int64
	place  string
	device string
	public []byte
	signed []byte
	sig    []byte
}

const batchLen = 128

// verifier checks signatures on several cores.
type verifier struct {
	batch []signature
	work  chan []signature
	wait  sync.WaitGroup
	mu    sync.Mutex
	bad   []signature
}

func startVerifier(workers int) *verifier {
	if workers < 1 {
		workers = runtime.GOMAXPROCS(0)
	}
	v := &verifier{work: make(chan []signature, workers)}
	for range workers {
		v.wait.Go(v.run)
	}
	return v
}

func (v *verifier) run() {
	for batch := range v.work {
		for _, s := range batch {
			if !s.ok() {
				v.mu.Lock()
				v.bad = append(v.bad, s)
				v.mu.Unlock()
			}
		}
	}
}

func (v *verifier) check(s signature) {
	if v.batch = append(v.batch, s); len(v.batch) == batchLen {
		v.work <- v.batch
		v.batch = nil
	}
}

// finish waits for all checks and returns the signatures that failed, in order.
func (v *verifier) finish() []signature {
	v.work <- v.batch
	close(v.work)
	v.wait.Wait()
	slices.SortFunc(v.bad, func(a, b signature) int { return cmp.Compare(a.row, b.row) })
	return v.bad
}
