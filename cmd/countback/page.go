package main

import (
	"net/http"

	"countback/cmd/countback/recorder"
)

// recorderPage is what phones open at the door.
func (m *Main) recorderPage() (http.Handler, error) {
	built := m.Recorder
	if built == nil {
		built = recorder.Built()
	}
	h, err := recorder.New(built)
	if err != nil {
		return nil, &fault{what: err.Error(), where: "serve", status: statusMachine, err: err}
	}
	return h, nil
}
