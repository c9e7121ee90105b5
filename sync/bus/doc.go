// Package bus carries what package replicate asks of a bus to NATS JetStream and brings back what happened. A [Driver] does so for one bus: the one in the
// desk's own process (package embedded), another desk's or a phone's way to it (package bridge), or any NATS server or cluster with JetStream. The code is
// the same for all; they differ in how a connection is made ([Config.Connect]) and in who may make the streams. A [Runner] lets one machine live on several.
//
// # Streams
//
// A shop has two streams on a bus, with names and subjects of its own, so that several shops can share a server:
//
//	cb-SHOP-log    cb.SHOP.log.*, cb.SHOP.carry.*    keeps everything
//	cb-SHOP-held   cb.SHOP.held.*                    keeps the newest message of each subject
//
// Whoever finds them missing and may make them makes them, with three replicas on a cluster (fewer only where it has no three servers for a minute), one on
// a server by itself. At the start of every connection the settings are compared with what keeps a ledger safe ([Problem] says which one isn't, and what to
// do). Nothing is changed on streams that are there. Whether a server syncs its writes can't be seen from outside: an outer bus must have sync_interval:
// always, or three servers that don't fail at once.
//
// # Reading
//
// Messages are read by direct gets of many at once (NATS server 2.11 or later), which leave nothing behind on the server: no consumer to be made, paid for
// or gone back in. The log stream republishes the headers of what it has stored on cb.SHOP.stored.>; that is the bell at which the next get is made. A bell
// that is lost does no harm but delay, since it is asked again after a while without one.
//
// A get of a cluster may be answered by a server that lags behind. What this driver has seen confirmed is the least that it takes for an answer to a Look.
//
// Headers tell the sequence, subject and time of a message, behind those that its sender has given. On a desk's own bus package bridge lets nobody send
// headers that could be taken for them. On an outer bus, where only desks are, they are believed as far as they fit: sequences must rise.
//
// # Publishing
//
// Several messages go as one atomic batch (NATS server 2.12 or later), else one by one. The expected sequence of a subject goes with the first. There are no
// message ids: what the server remembers of them proves nothing.
//
// # Rights
//
// What a device must be allowed, for whoever sets up an outer bus (DEVICE * for a desk's log subjects):
//
//	publish    cb.SHOP.log.DEVICE cb.SHOP.carry.DEVICE cb.SHOP.held.DEVICE
//	           $JS.API.STREAM.INFO.STREAM $JS.API.DIRECT.GET.STREAM $JS.API.DIRECT.GET.STREAM.>   of both streams
//	           $JS.API.STREAM.CREATE.STREAM                                                       where the streams aren't there yet
//	subscribe  _INBOX.DEVICE.> cb.SHOP.stored.> cb.SHOP.held.*
//
// All of it is tried at the start of a connection, with messages that no stream takes.
package bus
