// Package chain is the check of chain: may an event stand at the end of a log? It looks at sequence, prevhash, signature and membership and at nothing
// else: not at a clock, not at the meaning of the data, not at the order of arrival. Only this check keeps an event out of a log.
//
// # Members
//
// Who may write follows from the device, shop and revoke events alone, in whatever order they are added:
//
//   - Sequence 1 of every log is its own device event. Its key makes the device id, so the first event vouches for the key of all later ones.
//   - The founder is the device whose id is the shop id. It endorses itself.
//   - Every other device is endorsed by a device that is or was the keeper (purpose Admit), or by the device that it succeeds, with that one's own key
//     (purpose Admit, by and succeeds the same), or, as a recovery, by any member (purpose Recover, by a member, succeeds the keeper that is lost). An endorsement
//     signs whom the device succeeds, so that one that lets a device in can't be used to take another's place.
//   - The keeper is the founder until its log names another desk in a shop event. Such events are followed log by log: the first in the founder's log,
//     then the first in the log of the desk that it named, and so on; a desk that becomes the keeper again goes on behind the one that it named last. No
//     clock is asked. Where no further desk is named and a desk succeeds or recovers the keeper, that one is the keeper: a recovery before who has the
//     keeper's own word, of several the smallest id.
//   - A revocation counts if it stands in the log of a keeper, or of one that succeeded the revoked device. Of two keepers that revoke each other the later
//     one is right. The lowest last counts. Revoking keeps nothing out of a log: the events behind last are held, passed on and void.
//   - The word of a device that a keeper has revoked makes nobody count: who took its place by its key, or was made the keeper by its recovery, is void from
//     the first event, and so is whoever that one has endorsed. Which keepers are asked: those that there are where the keepers' own logs and keys go before
//     recoveries. Whom a keeper has let in by his office stays. Who is or was the keeper stays so, also where he revokes what he owes it to. If a keeper revokes
//     such a device as well, its events up to that last count: the keeper has looked at them.
//
// No clock and no order tells whether an endorsement was given before its device was revoked or after, since it stands in nobody's log. Hence the last rule,
// which is hard on a device that was restored before its old self was revoked by somebody else, and its exception. Hence a door takes no first event by the
// word of a device that it knows to be revoked (package pair); a log that is there stays.
//
// Three things no rule over these events can tell, so that the rule is only the same for all. The keeper's key is the root: with it, the devices that would
// recover from him can be revoked. Two desks that took his place with his own key: the smaller id counts. Two devices that both recovered him: again the
// smaller id, whatever each has done with the other.
//
// # Audit
//
// [Audit] reads the stored bytes anew, with a reader of its own beside the ledger's, and lists every fault that it finds.
package chain
