//go:build !js

package speed_test

import (
	"context"

	"countback/ledger/store"
)

// Lines implements fold.Source.
func (s source) Lines(ctx context.Context, fn func([]byte) error) error {
	return s.st.Scan(ctx, 0, func(r store.Row) error { return fn(r.Line) })
}
