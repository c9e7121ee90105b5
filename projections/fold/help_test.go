package fold_test

import (
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
)

func msTime(ms int64) event.Time { return event.TimeOf(time.UnixMilli(ms).UTC()) }

func wholeQty(n int64) num.Qty { return num.Whole(n) }
