// Package replicate keeps the replicas of a shop the same: it takes events from a bus into the store and puts the store's events onto the bus. It is a state
// machine without goroutine, channel or clock: [Machine.Step] takes one input with the time and returns what is to be done. A driver does that and hands
// back what came of it. One Machine serves one data folder and all its buses.
//
// # The states of an entry
//
//	kept here  on this device's disk, as soon as it is recorded
//	sent       on a bus that isn't on the same disk
//	safe       on the disk of another member, who has signed a receipt that covers it
//
// Only what is safe may ever be dropped from a phone. [Machine.Standings] tells the states.
//
// # What a bus is
//
// A bus has a log stream, which keeps every message, and a stream of receipts, which keeps the newest of each subject. Their subjects:
//
//	cb.SHOP.log.DEVICE    the device's own log; a desk may put there what the stream lacks of it
//	cb.SHOP.carry.DEVICE  events of others, published by DEVICE
//	cb.SHOP.held.DEVICE   the device's receipt
//
// The body of a message of the log stream is one event's line. Who sent it is the last part of the subject; the bus sees to it that a device publishes on
// its own subjects alone (a desk on every log subject). Nothing else is believed: each line goes through the check of chain, whoever sent it.
//
// A place in the log stream is (when the stream was created, sequence). The machine keeps its place in the store, in the transaction that takes the messages
// in, together with a mark of the last message. After each [Up] that message is read once more. If it is another one the stream has lost its tail and gone
// on; it is read again from the beginning, as a new stream is.
//
// # Drivers
//
// A driver carries outputs to a bus and answers with inputs; package drivertest holds the suite that each one passes. Around it stands a loop of one goroutine
// that reads inputs from a queue:
//
//	for in := range inputs {
//		for _, out := range machine.Step(now(), in) {
//			carry(out) // never waits; Wake sets a timer that puts a Tick into the queue
//		}
//	}
//
// What a driver promises:
//
//   - Inputs come one at a time, in the order in which the bus answered. [Tick] comes when a [Wake] asked for it.
//   - [Changed] comes after somebody else has written to the store: another process (the store's data version tells) or this one. Missing one does no harm
//     but delay, so a driver may also send one now and then.
//   - Up comes before anything else of a bus and after everything that may have lost messages; [Down] when the bus can't be reached. Reconnecting, waiting
//     between attempts and rights are the driver's. It checks at the start that the log stream keeps everything (no age or message limit, discard new, delete
//     and purge denied, file storage, synced writes) and says what to change.
//   - [Fetch] is answered with messages right behind After, in order, none left out, as soon as there is one. After can lie before what was fetched
//     earlier, so a consumer that counts by itself must be able to go back; it acknowledges no more than [Keep] says. A driver may hold back messages that
//     come early, and may answer several times only to several Fetches.
//   - [Publish] is all or none. Its answer is Published without error only once the messages are durable on the bus. Whether a lost or late answer means
//     that it happened is left open; the machine looks at the subject's end ([Look]) and goes on behind it. No message id is needed. The expected last
//     sequence is that before the first message of a batch; a bus that takes one on the first message alone is given it there alone.
//   - [Held] brings the newest receipt of every device after each Up, and each new one, in any order.
//   - [Download] brings a file of [File] lines: all lines of the store in order of arrival, then those of [Aside], then the newest receipts, and with its last part
//     what [Machine.Place] said before the first line was read.
//
// At most one Fetch or Download, one Publish and one Look are under way on each bus, which is all the back-pressure that is needed. An answer that doesn't
// come is given up after a while by the machine itself.
//
// # Taking in
//
// Bus, download and file go the same way, in one transaction for each input. An event that continues its log goes there if it is vouched for: signed by its
// device, or followed in its chain by one that is. A run goes in up to its last valid signature; the rest waits. A desk checks the other signatures as well,
// afterwards and in small portions, and reports what is wrong.
//
// What waits, for events before it or for its device's admission, is kept up to 10,000 events or 16 MiB of one sender; what is more is left on the bus, its
// place noted (a hole), and read again once its log or a branch of it has gone on, and now and then in any case. The cursor stays where it is until something
// was read there: the mark of its message is what tells that the stream has lost its tail meanwhile. What can never stand in a log (unreadable, of
// another shop, a wrong signature at a place that is taken) goes into quarantine, by hash and up to a number, and is tried again after changes of membership
// and with a new build; [Refused] shows it, [EmptyRefused] empties it.
//
// # Forks
//
// Where a log has two events behind one, both vouched for, two copies of its device have recorded. The branch whose event at the fork has the lower hash is
// the log; the other one stands aside ([Aside]). If the device was revoked, the branch that holds the event that the revocation names goes before, so that
// nobody with the key of a lost device can push true facts aside. Whether a revocation counts for this is asked without what the log itself says from the
// fork on: else a keeper whom one branch alone has named could hold that branch up. All replicas that know the same events therefore have the same logs, whatever the order
// in which the events came. The store cuts the log where the other branch takes its place.
//
// The keeper records facts of branches aside anew under their old ids, except those of revoked devices, which a person looks through. Until that has
// happened whoever holds such a branch sees to it that it stands on the bus.
//
// # Publishing
//
// A device publishes its own log in order, each time behind the last message of its own subject, which it reads after an Up, after "wrong last sequence" and
// where an answer is missing. The expected sequence keeps honest devices from accidents; it isn't what anybody relies on.
//
// Once it has read the stream to its end, a device also publishes events of others that the stream lacks: at once where no receipt of another member covers
// them; else after a while, the keeper first, then desks, then phones, in the order of their ids. So a bus that was made anew, or lost its tail, is filled
// again from whatever replicas there are. Desks use the log's own subject, phones theirs for carrying. How far each log stands on the stream is known from
// reading the stream alone, never from what a bus has confirmed in an earlier session.
//
// # Receipts
//
// A receipt has five lines without a newline at the end:
//
//	countback-held-v1
//	DEVICE
//	COUNT
//	{"DEVICE":{"seq":SEQ,"hash":"HASH"},…}
//	SIGNATURE
//
// COUNT is a whole number from 1, one higher in each receipt of the device. The list names every log that the device holds, in the order of the ids, with
// its last sequence and hash there. The signature is the device's for the purpose key.Held over lines two to four. Of a device the receipt with the highest
// count is kept; it counts as long as the device is a member, not revoked, and not succeeded by another.
//
// # Failures and clocks
//
// If the store fails, everything is read from it again before anything else is done, after one second and then twice as long each time, up to a minute.
// Recording by others goes on beside it; the store's transactions see to it.
//
// Time is only used for waiting, and to notice clocks: an own message that comes back with the bus's time two minutes off, an event whose id was made two
// minutes after the bus stored it, the own clock set back. They are reported, and nothing is corrected.
package replicate
