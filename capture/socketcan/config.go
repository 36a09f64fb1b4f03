package socketcan

import "gearwitness/capture"

// Config says how an interface is to be read.
type Config struct {
	BitRate       int             // expected of the bus, bit/s; 0 for whatever the interface is set to
	AdapterStamps bool            // use the hardware's time stamps where frames have them
	Send          bool            // let Send work; the interface must not be listen-only
	Channel       capture.Channel // name of the bus; the rest is filled in
}
