package memory_test

import (
	"testing"

	"countback/ledger/store"
	"countback/ledger/store/memory"
	"countback/ledger/store/storetest"
)

func TestStore(t *testing.T) {
	storetest.Run(t, func(*testing.T) store.Store { return memory.New() })
}
