/* ======================================================================
 * handshake.pml - model of the recipe handshake between a gateway and a
 * line controller, layout 2, for the Spin model checker (6.5.x).
 *
 * What is modelled
 *   Controller   a PLC: every guarded step below is one scan. It owns the
 *                rolls, the request block, the result and the outcome ring.
 *   Gateway      one or two instances (NGW). Each has a durable journal
 *                that survives a crash, and volatile state that does not.
 *   Lease        with two instances: a number in an engine that can forget
 *                it, fall silent, be heard late, or be believed by both.
 *   Network      two connections. Each is first-in first-out, but messages
 *                of an old connection may arrive after those of a new one,
 *                be delayed without bound, be lost, or be delivered twice.
 *   Blocks tear  the request is published in two halves and read in two
 *                halves; the payload and the commit are each written in two
 *                halves that can be interleaved with anything.
 *   Lag          after a judgement the result may show LAG publications
 *                later than the phase, or with verdict 0 until then, or
 *                phase and result may both show later. So may the phase show
 *                later than the number of the roll that has come. It costs
 *                no fault.
 *   Store        with two instances: what it holds of the outcomes of each
 *                journal. It may be slower than the acknowledgement, or
 *                silent as the lease is. What one acknowledged alone is a gap
 *                "held by the other machine" in the journal of the other, of
 *                which people are told until the store has it.
 *   By hand      with two instances: a person on the standby moves the line
 *                there while the engine is silent, also although the other
 *                lives (BY_HAND, PAIR); the engine may answer at once.
 *   Faults       F of any kind in any mix and order: gateway crash,
 *                controller restart (register image kept or cleared),
 *                loss of the retained epoch floor, message loss, duplication,
 *                spurious timeout, takeover although the holder lives, an
 *                engine that forgets the number of the lease or, with PAIR, an
 *                outcome, that falls silent and, with PAIR, answers again, a
 *                disk lost with its journal (PAIR), a journal restored from
 *                a backup, a HELLO by a stranger with any epoch, a request
 *                block that is whole and false, an outcome that cannot be read
 *                for a while, a roll that leaves without an outcome.
 *   Events       EV of any kind: rescan of the same roll, permissive drop,
 *                operator override, gateway hold, manual mode, retry, a roll
 *                taken away while it waits or runs, abort.
 *
 * What is checked (names as in handshake.md)
 *   S1 an accepted recipe was computed from the scan now at the station, and
 *      is used for no other roll
 *   S2 one roll is accepted at most once
 *   S3 one offer is accepted at most once
 *   S4 nothing is judged without a durable commit record for exactly that
 *      offer, and nothing is accepted or held but what that record's intent
 *      says
 *   S5 no outcome is forgotten by the controller before it is a record of some
 *      journal; by a pair none is acknowledged that the store has not, while few
 *      wait, and what the other is said to hold, it holds
 *   S6 the journal's verdict on an offer is the controller's verdict; void
 *      stands only where no recipe of it was used and where the result that
 *      the controller retains says neither accepted nor held
 *   S7 no accept under a session older than the newest one adopted
 *   S8 no accept while a permissive is off
 *   S10 a gap stands only over what can no longer be read; one gateway has each
 *      roll in a record or in a gap when nothing can move any more
 *   S11 an epoch is greater than those that its journal knows and inside the
 *      bound; one message does not bring a floor other than 0 to the bound
 *   S12 sessions are not opened without end: each has a fault, an event or a
 *      start behind it
 *   S13 of a pair, who had a session by its lease opens none by it any more once
 *      the controller has one that the other opened by a greater lease or by a
 *      person's word
 *   S14 of a pair, who has an outcome in a gap and tells of it no more has it in the
 *      store, unless the other lost its journal and a newer outcome of it is there
 *   L1 when nothing can move any more, every roll is finished, journaled
 *      and acknowledged, and each gap of a pair is filled by a store that
 *      answers unless a journal was lost (checked in every terminal state)
 *   L2 with weak fairness every run gets there (ltl done)
 *
 * A CRC is modelled as perfect: it is the tuple it protects.
 * Time is not modelled (S9): a real timeout fires only when the answer can no
 * longer come (nothing in flight); a spurious one costs a fault.
 * Numbers are scaled down: LAG publications for ten, LAG + 1 for eleven,
 * EJUMP for 2^20, EMAX for 4 000 000 000, EALL for FFFFFFFF, RCAP for a ring of
 * 64, ALONE for 32 outcomes that wait.
 *
 * Each guard of the design can be removed with -DM_xxx. Spin must then
 * find that the guarantee named in check.sh is broken.
 * ====================================================================== */

#ifndef ROLLS
#define ROLLS 2     /* rolls that pass the station (at most 4)            */
#endif
#ifndef NGW
#define NGW 1       /* gateway instances: 1, or 2 for active/standby      */
#endif
#ifndef F
#define F 2         /* faults, any kind                                   */
#endif
#ifndef EV
#define EV 1        /* operational events, any kind                       */
#endif
#ifndef LAG
#define LAG 1       /* publications that a result may lag, 0 none         */
#endif
#ifndef RCAP
#define RCAP NGW    /* outcome ring capacity                              */
#endif
#define ALONE 2     /* so many wait that a gateway acknowledges alone      */
#ifndef MAXOFF
#define MAXOFF 2    /* offers in one session; then a new session is opened*/
#endif
#ifndef QLEN
#define QLEN 3      /* messages in flight on one connection               */
#endif
#define EJUMP 20    /* greatest step of the floor                         */
#define EMAX  100   /* greatest epoch                                     */
#define EALL  127   /* the greatest number that the field holds           */
#define EMOD  128
#define BYHAND 15     /* above every number of a lease: a person's word       */

/* ---- names of the guarantees: they show in what Spin prints ---------- */
hidden byte S1 = 1, S2 = 1, S3 = 1, S4 = 1, S5 = 1, S6 = 1, S7 = 1, S8 = 1, S10 = 1, S11 = 1, S12 = 1, S13 = 1, S14 = 1, L1 = 1;

/* ---- packed values --------------------------------------------------- */
#define TOK(b,q)     ((b)*8+(q))              /* request token            */
#define RCRC(t,d)    ((t)*8+(d))              /* CRC of the request block */
#define ID(e,o)      ((e)*4+(o))              /* offer identity           */
#define PCRC(e,t,o,b) (((((e)*64+(t))*4+(o))*32)+(b))  /* payload CRC     */
/* recipe bodies: 1..7 computed from scan 1..7, 9..15 the same with an
 * operator override, 16 a hold                                           */
#define OVERRIDE 8
#define HOLD     16

/* message kinds */
#define HELLO 1
#define PAY1  2
#define PAY2  3
#define COM1  4
#define COM2  5
#define ACK   6

/* controller phases */
#define EMPTY   0   /* no roll at the station                             */
#define PUB     1   /* request half published                             */
#define AWAIT   2   /* request published, waiting for an offer            */
#define RUN     3   /* offer accepted, roll being wrapped                 */
#define HELD    4   /* hold accepted, waiting for the operator            */

/* verdicts as they show */
#define NONE     0  /* not in the list: an invalid view                   */
#define REJECTED 1
#define TAKEN    2  /* accepted or held                                   */

/* outcomes and rolls: one number each, but for a roll that left without */
#define ROLLOF(i) ((i) + (lost != 0 && (i) >= lost))
#define INDEX(n)  ((n) - (lost != 0 && (n) > lost))

/* journal state of the newest offer */
#define CLOSED 0    /* accepted, rejected or proven void (the record is
                     * cleared here only to keep the state space small)   */
#define INTENT 1    /* recorded, commit not yet sent                      */
#define COMMIT 2    /* recorded, commit may have been sent                */

/* gateway states */
#define BOOTR  0    /* read the controller's boot identity                */
#define OPEN   1    /* take a new epoch, send hello                       */
#define HWAIT  2    /* wait for the controller to adopt the epoch         */
#define SETTLE 3    /* resolve the offer an earlier session left open     */
#define POLL   4
#define READB  5    /* read the second half of the request                */
#define DECIDE 6
#define SEND1  7
#define SEND2  8
#define RBACK  9    /* read back the payload                              */
#define PRE    10   /* last look before the commit                        */
#define SENDC1 11
#define SENDC2 12
#define WAIT   13   /* wait for the verdict                               */
#define SENDA  14   /* acknowledge an outcome                             */
#define STBY   15   /* standby, or fenced and waiting for a greater number*/
#define ENDED  16   /* fenced alone: until the operator restarts it       */
#define SHADOW 17   /* the floor is at the bound: nothing is written      */

chan conn[2] = [QLEN] of { byte, byte, byte, byte, int };
               /*          kind  ep    tok   off   body or crc            */

/* ---- fault and event budgets ---------------------------------------- */
byte faults = F;
byte events = EV;
/* with PAIR every roll is wrapped by hand, so that nothing is offered, and faults are
 * those of machines, lease and store alone: what two journals and a store hold of it */
#ifdef PAIR
#define FAULT  (0)
#define MANUAL (1)
#else
#define FAULT  (faults > 0)
#define MANUAL (0)
#endif
#ifdef BY_HAND                    /* no takeover but by a person          */
#define SLOW   (0)
#else
#define SLOW   (faults > 0)
#endif

/* ---- controller: internal, retained over a restart ------------------- */
byte phase, boot = 1, req, scan, roll, tok;
byte floorEp;                     /* newest epoch ever adopted            */
byte activeEp;                    /* opening in force (epoch and nonce),
                                   * 0: no session                        */
byte lastOff;                     /* newest offer handled in this session */
bool perm = 1;                    /* permissives                          */
byte o_n, a_n;                    /* outcomes produced, acknowledged      */
byte acc_id[ROLLS+1];             /* offer accepted for roll n, 0 if none;
                                   * what its outcome names               */
byte res_id; bool res_ok;         /* the result                           */
bool still;                       /* an aborted roll lies at the station  */
byte lost;                        /* the roll that left without an outcome*/
/* latch: private copy of commit and payload */
bool latched; byte lc_ep, lc_tok, lc_off, lp_ep, lp_tok, lp_off, lp_body;
int  lc_crc, lp_crc;

/* ---- registers the controller writes --------------------------------- */
bool r_here;                      /* the phase as it shows is not empty   */
bool r_await; byte r_tok, r_roll, r_dim; int r_crc;
byte v_id, v_ok;                  /* the result as it shows               */
byte late;                        /* publications until it shows          */
bool fresh[NGW];                  /* a publication that the gateway has
                                   * not counted yet                      */
byte lie;                         /* the block that stands is false: 1 its
                                   * count jumped, 2 its floor is above
                                   * that of the active session           */

/* ---- registers the gateway writes ------------------------------------ */
byte w_ep, w_tok, w_off, w_body; int w_crc;
byte k_ep, k_tok, k_off; int k_crc; byte k_chk;

/* ---- durable on the gateway side ------------------------------------- */
byte own[NGW];                    /* newest epoch in the journal          */
byte opens;                       /* session openings so far: the nonce   */
byte epo[16];                     /* epoch of each opening                */
byte j_st[NGW], j_roll[NGW], j_tok[NGW], j_ep[NGW], j_off[NGW], j_body[NGW];
byte j_n[NGW];                    /* outcomes journaled so far            */
byte have[NGW];                   /* bit n: outcome n is a record, no gap */
byte cov[NGW];                    /* every roll up to it is a record or gap*/
int  owner;                       /* bit n: opening n is of gateway 1     */

#if NGW == 2
/* ---- the lease -------------------------------------------------------- */
byte l_no = 1, l_holder = 1;      /* number; 1 + instance, 0: let go      */
byte num[NGW], fen[NGW];          /* number held; held when fenced        */
byte under[NGW];                  /* under the number held: 0 no session, 1
                                   * opened, 2 adopted as well            */
bool away;                        /* the engine is silent, for good       */
byte stored[NGW];                 /* outcomes of each journal that it has */
byte old[NGW];                    /* bit n: it has outcome n of a journal
                                   * of each that is lost                 */
byte held[NGW];                   /* newest outcome in a gap "held by the
                                   * other machine"                       */
#ifdef M_CURSOR
byte sent[NGW];                   /* a cursor of one's own                */
#endif
#ifdef M_FILLED_ONCE
byte filled[NGW];                 /* what has arrived has for good        */
#endif
bool hand[NGW];                   /* acts by a person's word, of which the
                                   * engine does not know yet             */
byte acting = 1;                    /* instances that are not standby       */
int  alien;                       /* bit n: opening n is a stranger's     */
#endif

/* ---- ghosts: for the assertions only --------------------------------- */
byte maxAdopted;
byte hold_id[ROLLS+1];            /* newest hold offer taken for roll n     */
byte taken_id;                    /* the newest judgement, if it took its offer */
byte run_body;                    /* recipe in use                          */
bool again;                       /* the roll had a recipe under another no.*/
byte usedup;                      /* sessions left since offer numbers were used up */
bool jumped;                      /* one message took the floor to the bound*/
#if NGW == 1
byte told;                        /* rolls with a record or in a gap        */
#else
byte s_no;                        /* number of the lease under which the newest
                                   * session was opened that was adopted; 0 once
                                   * the controller lost its floor          */
bool was[NGW];                    /* adopted under the number held          */
byte gone;                        /* bit n: outcome n was a record of a journal
                                   * that is lost                           */
#endif

#define OWN(e)   ((owner >> (e)) & 1)
#define g        OWN(lc_ep)
#define UPTO(n)  ((2 << (n)) - 2)         /* bits 1 to n                    */
#if NGW == 1
#define GONE 0
#else
#define GONE gone
/* the outcomes that the store has of the journals of a machine */
#define STORE(i)  (old[i] | (have[i] & UPTO(stored[i])))
/* told of a gap over what the other machine holds, until the store has a record of
 * the other that is as new */
#ifdef M_UNTOLD
#define ALARM(i)  (0)
#elif defined(M_FILLED_ONCE)
#define ALARM(i)  (held[i] > filled[i])
#elif defined(M_FILLED_BY_GAP)
#define ALARM(i)  (held[i] > stored[1-(i)] && (old[1-(i)] >> held[i]) == 0)
#else
#define ALARM(i)  (held[i] != 0 && (STORE(1-(i)) >> held[i]) == 0)
#endif
#endif
#if NGW == 2
#define FORGET_S13 s_no = 0
#else
#define FORGET_S13 skip
#endif

/* ---- the guards, each removable to show that it is needed ------------- */
#ifdef M_NONCE
#define SAME(a,b) (epo[a] == epo[b])   /* compares the epoch, not the nonce */
#else
#define SAME(a,b) ((a) == (b))
#endif
#ifdef M_EPOCH
#define G_EPOCH   (1)
#define G_RECHECK (1)
#else
#define G_EPOCH   (SAME(k_ep, activeEp))
#ifdef M_LATCH_RECHECK
#define G_RECHECK (1)
#else
#define G_RECHECK (SAME(lc_ep, activeEp))
#endif
#endif
#ifdef M_TOKEN
#define G_TOKEN (1)
#else
#define G_TOKEN (k_tok == tok)
#endif
#if defined(M_TOKEN) || defined(M_LATCH_TOKEN)
#define G_STILL (1)
#else
#define G_STILL (phase == AWAIT && lc_tok == tok)
#endif
#ifdef M_DEDUP
#define G_NEW (1)
#else
#define G_NEW (k_off > lastOff)
#endif
#ifdef M_COMMIT_CHECK
#define G_WHOLE (1)
#else
#define G_WHOLE (k_chk == KCHK(k_ep, k_tok, k_off))
#endif
#ifdef M_PERM
#define G_PERM (1)
#else
#define G_PERM (perm)
#endif
#ifdef M_PAYLOAD_HEAD
#define G_HEAD (1)
#else
#define G_HEAD (lp_ep == lc_ep && lp_tok == lc_tok && lp_off == lc_off)
#endif
#ifdef M_PAYLOAD_CRC
#define G_CRC (1)
#else
#define G_CRC (lp_crc == lc_crc && lp_crc == PCRC(lp_ep, lp_tok, lp_off, lp_body))
#endif
#ifdef M_HELLO_BOOT
#define G_BOOT (1)
#else
#define G_BOOT (t == boot)
#endif
#ifdef M_HELLO_FLOOR
#define G_FLOOR (1)
#else
#define G_FLOOR (epo[e] > floorEp)
#endif
#ifdef M_HELLO_JUMP
#define G_JUMP (1)
#else
#define G_JUMP (epo[e] <= EMAX && (floorEp == 0 || epo[e] <= floorEp + EJUMP))
#endif
#ifdef M_EPOCH_BOUND
#define G_BOUND (1)
#else
#define G_BOUND (EPOCH <= EMAX)
#endif
#ifdef M_READ_CRC
#define G_READ (dm != 0)
#else
#define G_READ (r_crc == RCRC(tk, dm))
#endif
#ifdef M_RING_OVERWRITE
#define G_ROOM (1)
#else
#define G_ROOM ((o_n - a_n) < RCAP)
#endif
#ifdef M_ABORT_AGAIN
#define G_LEFT (1)
#else
#define G_LEFT (!still)
#endif
/* newer publications without our result before an offer is void */
#ifdef M_COUNT_WAIT
#define N_WAIT 0
#else
#define N_WAIT (LAG+1)
#endif
#ifdef M_COUNT_SETTLE
#define N_SETTLE 0
#else
#define N_SETTLE (LAG+1)
#endif
/* newer publications of an empty station before its roll has left without an
 * outcome: 1 is the second view that every surprise needs */
#ifdef M_COUNT_EMPTY
#define N_EMPTY 1
#else
#define N_EMPTY (LAG+1)
#endif
#ifdef M_EMPTY_ROLL
#define G_SAMEROLL (1)
#else
#define G_SAMEROLL (vac == r_roll)
#endif
#ifdef M_UNREAD
#define G_READUP (1)
#else
#define G_READUP (o_n == j_n[id])
#endif
#ifdef M_CONFIRM_GEN
#define G_GEN (1)
#else
#define G_GEN (fresh[id])
#endif

/* The commit block carries a check word over its own halves. */
#define KCHK(e,t,o) (((e)*7+(t)*3+(o)) & 255)

inline clear_latch() { latched = 0; lc_ep = 0; lc_tok = 0; lc_off = 0; lc_crc = 0; lp_ep = 0; lp_tok = 0; lp_off = 0; lp_body = 0; lp_crc = 0 }

inline publish() { v_id = res_id; v_ok = (res_id == 0 -> NONE : (res_ok -> TAKEN : REJECTED)); r_await = (phase == AWAIT || phase == PUB); r_here = (phase != EMPTY) }

inline empties() { phase = EMPTY; r_await = 0; r_here = 0; run_body = 0 }
inline leaves() { o_n++; empties() }

inline request()      /* give the roll a token nobody has ever seen */
{
  req++; assert(req < 8 && scan < 8);
#ifdef M_BOOT_TOKEN
  tok = TOK(0, req);
#else
  tok = TOK(boot, req);
#endif
  r_tok = tok; r_roll = roll; r_await = 1; r_here = 1; phase = PUB
}

inline judge()
{
  if :: late > 0 -> late = 0; publish() :: else fi;
  lastOff = lc_off; res_id = ID(lc_ep, lc_off);
  assert(S4 && (j_st[g] == COMMIT && j_tok[g] == lc_tok && j_ep[g] == lc_ep && j_off[g] == lc_off));
  if
  :: (G_PERM || lp_body == HOLD) && G_HEAD && G_CRC ->
#ifdef M_IN_PLACE
     lp_body = w_body;      /* judged the copy, uses the live image */
#endif
     res_ok = 1; taken_id = res_id;
     assert(S4 && (j_body[g] == lp_body));
     assert(S1 && (lp_body == HOLD || (phase == AWAIT && (lp_body & 7) == scan)));
     assert(S2 && (lp_body == HOLD || (acc_id[roll] == 0 && !again)));
     assert(S3 && (acc_id[roll-1] != ID(lc_ep, lc_off) && hold_id[roll-1] != ID(lc_ep, lc_off) && hold_id[roll] != ID(lc_ep, lc_off)));
     assert(S7 && (lc_ep == maxAdopted));
     assert(S8 && (perm || lp_body == HOLD));
     if
     :: lp_body == HOLD -> hold_id[roll] = ID(lc_ep, lc_off); phase = HELD
     :: else -> acc_id[roll] = ID(lc_ep, lc_off); run_body = lp_body; phase = RUN
     fi
  :: else -> res_ok = 0; taken_id = 0
  fi;
  clear_latch()
}

/* ====================================================================== */
active proctype Controller()
{
end:
  do
  /* a roll arrives, if its outcome will have a place in the ring */
  :: d_step { phase == EMPTY && roll < ROLLS && G_ROOM && G_LEFT -> again = still; still = 0; roll++; scan++; request() }
#if LAG > 0
  /* its number shows at once, the phase later */
  :: d_step { phase == EMPTY && roll < ROLLS && G_ROOM && G_LEFT ->
       if :: late > 0 -> late = 0; publish() :: else fi;
       again = still; still = 0; roll++; scan++; request(); late = LAG; r_await = 0; r_here = 0 }
#endif
  /* it leaves, and the program writes no outcome of it */
  :: d_step { FAULT && lost == 0 && phase != EMPTY && phase != PUB -> faults--; lost = roll; empties() }
  :: d_step { phase == PUB -> r_dim = scan; r_crc = RCRC(tok, scan); phase = AWAIT }

  /* the same roll is measured again: its old recipe must die */
  :: d_step { phase == AWAIT && events > 0 -> events--; scan++;
#ifdef M_RESCAN_TOKEN
       r_dim = scan; r_crc = RCRC(tok, scan)
#else
       request()
#endif
     }
  /* permissives come and go */
  :: d_step { perm && events > 0 -> events--; perm = 0 }
  :: d_step { !perm -> perm = 1 }

  /* the operator wraps the roll by hand, or it is taken away */
  :: d_step { phase == AWAIT && (MANUAL || events > 0) -> if :: MANUAL -> skip :: else -> events-- fi; leaves() }
  :: d_step { phase == HELD -> leaves() }
  /* or asks for another try: a new request, the old offer stays dead */
  :: d_step { phase == HELD && events > 0 -> events--; request() }

  /* a commit for this session, this request, not handled before:
   * copy everything out of the register image */
  :: d_step { phase == AWAIT && !latched && activeEp != 0 && k_ep != 0 && G_EPOCH && G_TOKEN && G_NEW && G_WHOLE ->
       lc_ep = k_ep; lc_tok = k_tok; lc_off = k_off; lc_crc = k_crc;
       lp_ep = w_ep; lp_tok = w_tok; lp_off = w_off; lp_body = w_body; lp_crc = w_crc;
       latched = 1 }

  /* the session, the request or the roll changed under the copy: forget it */
  :: d_step { latched && !(G_RECHECK && G_STILL) -> clear_latch() }
  /* judge the copy, never the live image; phase, result and last OFFER show
   * in one publication, or some of them later */
  :: d_step { latched && G_RECHECK && G_STILL -> judge(); publish() }
#if LAG > 0
  :: d_step { latched && G_RECHECK && G_STILL -> judge(); late = LAG; r_await = (phase == AWAIT) }
  :: d_step { latched && G_RECHECK && G_STILL -> judge(); late = LAG; r_await = (phase == AWAIT); v_id = res_id; v_ok = NONE }
  :: d_step { latched && G_RECHECK && G_STILL -> judge(); late = LAG }
#endif
  /* a publication; what lagged shows when its time has come */
  :: d_step { (late > 0 || lie || !fresh[0] || !fresh[NGW-1]) ->
       fresh[0] = 1; fresh[NGW-1] = 1; lie = 0;
       if
       :: late == 1 -> late = 0; publish()
       :: late > 1 -> late--
       :: else
       fi }

  /* the roll is wrapped and leaves */
  :: d_step { phase == RUN -> assert(S1 && ((run_body & 7) == scan)); leaves() }
  /* it is aborted and lies there until it is taken away: no new request */
  :: d_step { phase == RUN && events > 0 -> events--; leaves(); still = 1 }
  :: d_step { still -> still = 0 }
  /* it is taken away: outputs off, the recipe is dead */
  :: d_step { phase == RUN && events > 0 -> events--;
#ifdef M_GONE
       scan++                    /* the next roll lies there instead */
#else
       leaves()
#endif
     }

  /* restart: a roll without a recipe is measured again under a new token;
   * the session ends; the register image survives or is cleared */
  :: atomic { FAULT -> faults--; boot++;
#ifndef M_BOOT_SESSION
       activeEp = 0; lastOff = 0;
#endif
#ifdef M_BOOT_TOKEN
       req = 0;
#endif
#ifdef M_RESULT_VOLATILE
       res_id = 0; res_ok = 0; late = 0; publish();
#endif
       clear_latch();
       if
       :: phase == AWAIT || phase == PUB -> scan++; request()
       :: else
       fi;
       if
       :: skip
       :: w_ep = 0; w_tok = 0; w_off = 0; w_body = 0; w_crc = 0; k_ep = 0; k_tok = 0; k_off = 0; k_crc = 0; k_chk = 0
       :: floorEp = 0; FORGET_S13     /* the epoch floor is lost as well */
       fi }
  od
}

/* ---- the network ------------------------------------------------------ */
inline deliver()
{
  if
  :: m == HELLO ->
       if
       :: G_FLOOR && G_BOOT && G_JUMP ->
             assert(S7 && (e > maxAdopted || epo[e] > epo[maxAdopted])); maxAdopted = e;
             if :: floorEp != 0 && epo[e] >= EMAX -> jumped = 1 :: else fi;
             floorEp = epo[e]; activeEp = e; lastOff = 0;
#if NGW == 2
             s_no = o
#endif
       :: else
       fi
  :: m == PAY1 -> w_ep = e; w_tok = t; w_off = o
  :: m == PAY2 -> w_body = o; w_crc = x
  :: m == COM1 -> k_ep = e; k_tok = t
  :: m == COM2 -> k_off = o; k_crc = x; k_chk = t
  :: m == ACK  ->
       if
       :: e == activeEp && o <= o_n && o > a_n -> a_n = o;
          assert(S5 && ((UPTO(a_n) & ~(have[0] | have[NGW-1] | GONE)) == 0))
       :: else
       fi
  fi;
  m = 0; e = 0; t = 0; o = 0; x = 0
}

active proctype Network()
{
  byte m, e, t, o; int x;
end:
  do
  :: d_step { nempty(conn[0]) -> conn[0]?m,e,t,o,x; deliver() }
  :: d_step { nempty(conn[1]) -> conn[1]?m,e,t,o,x; deliver() }
  :: d_step { FAULT && nempty(conn[0]) -> faults--; conn[0]?<m,e,t,o,x>; deliver() }
  :: d_step { FAULT && nempty(conn[1]) -> faults--; conn[1]?<m,e,t,o,x>; deliver() }
  :: d_step { FAULT && nempty(conn[0]) -> faults--; conn[0]?m,e,t,o,x; m = 0; e = 0; t = 0; o = 0; x = 0 }
  :: d_step { FAULT && nempty(conn[1]) -> faults--; conn[1]?m,e,t,o,x; m = 0; e = 0; t = 0; o = 0; x = 0 }
  /* a stranger on the network says HELLO, with an epoch of his own */
  :: atomic { FAULT && opens < 15 -> faults--; opens++;
       if :: floorEp < EMAX -> epo[opens] = floorEp + 1 :: epo[opens] = EMAX :: epo[opens] = EALL fi;
#if NGW == 2
       alien = alien | (1 << opens);
#endif
       d_step { m = HELLO; e = opens; t = boot; deliver() } }
  od
}

/* ---- the gateway ------------------------------------------------------ */
#define CH      conn[ep & 1]
#define HELLO_SENT CH!HELLO,ep,bt,NUMBER,0           /* the number for S13 alone */
#define MINE    (activeEp != 0 && SAME(activeEp, ep) && boot == bt)
#define WRITTEN (w_ep == ep && w_tok == tk && w_off == off && w_body == body && w_crc == PCRC(ep,tk,off,body))
#define MYID    ID(j_ep[id], j_off[id])
#define NAMED   (v_id == MYID && v_ok != NONE)       /* the result is ours  */
#define BADV    (v_id != 0 && v_ok == NONE)          /* an invalid view     */
#define UNSURE  (j_st[id] != CLOSED)
#define LEFT    (r_roll != j_roll[id] || !r_here)    /* its roll is gone    */

#if NGW == 2
#ifdef M_NUMBER
#define NUMBER 0
#else
#define NUMBER  (hand[id] -> BYHAND : num[id])
#endif
#define FIRST_OPENING (under[id] == 0)   /* a start of the process is one */
#else
#define NUMBER  0
#define FIRST_OPENING (1)
#endif
#define MAX(a,b) ((a) > (b) -> (a) : (b))
#define MIN(a,b) ((a) < (b) -> (a) : (b))
/* the outcome up to which the controller may forget: durable here and, of a
 * pair, in the store, unless too many wait for it */
#define MANY    (o_n - a_n >= ALONE)
#if NGW == 1 || defined(M_ACK_STORE)
#define ACKABLE j_n[id]
#elif defined(M_ACK_ALONE)
#define ACKABLE stored[id]
#else
#define ACKABLE (MANY -> j_n[id] : stored[id])
#endif
#define EPOCH   ((MAX(MAX(own[id], floorEp), NUMBER) + 1) % EMOD)
#ifdef M_EPOCH_BOUND
#define AT_BOUND (0)
#else
#define AT_BOUND (MAX(MAX(own[id], floorEp), NUMBER) >= EMAX)
#endif

/* The other of a pair has opened a newer session, and this one was given no
 * greater number since it opened its own: then it is fenced before it opens. So it
 * is where the other's session has the epoch of its own newest, which was not
 * adopted then; but for its first by this number, with which it takes over. */
#if NGW == 2
#if defined(M_OVERTAKEN)
#define ABOVE (0)
#elif defined(M_GREATER)
#define ABOVE (floorEp > own[id])
#else
#define ABOVE (under[id] != 0 && floorEp > own[id])
#endif
#ifdef M_SAME_EPOCH
#define TIED (0)
#else
#define TIED (under[id] == 2 && activeEp != 0 && epo[activeEp] == own[id] && (OWN(activeEp) != id || (alien >> activeEp) & 1))
#endif
#define OVERTAKEN (ABOVE || TIED)
#else
#define OVERTAKEN (0)
#endif

/* Every session has a reason: the start, a fault or an event. */
#ifndef PERFAULT
#define PERFAULT (2*NGW + 1)
#endif
#define TURNS   (ROLLS + PERFAULT*(F - faults) + (EV - events) + usedup)

#ifdef M_PRE
#define G_PRE (1)
#else
#define G_PRE (MINE && r_await && r_tok == tk && perm)
#endif

inline forget() { tk = 0; rl = 0; dm = 0; body = 0; cnt = 0; vac = 0; fresh[id] = 1; sus = 0 }
inline leave(s) { forget(); high = 0; off = 0; ep = 0; bt = 0; gs = s }
#if NGW == 2
/* where the engine is silent, once it answers */
inline let_go() { if :: l_holder == id + 1 && !away -> l_holder = 0 :: else fi }
inline numbered(n) { num[id] = n; under[id] = 0; was[id] = 0; hand[id] = 0 }
inline stand_by() { acting--; leave(STBY); under[id] = 0; was[id] = 0; hand[id] = 0 }
/* a person moves the line here: the number is above the own and above the row's as it was
 * seen, which may be never */
#ifdef M_HAND_ABOVE
#define ABOVE_ALL num[id]
#else
#define ABOVE_ALL num[id]+1
#endif
inline by_hand()
{
  if :: num[id] = MAX(l_no, num[id]) :: skip fi;
  numbered(ABOVE_ALL);
  assert(L1 && (fen[id] == 0 || num[id] > fen[id]));   /* else it stays fenced */
  hand[id] = 1; fen[id] = 0; acting++; gs = BOOTR
}
#ifdef M_FENCED_KEEPS
inline fence() { fen[id] = num[id]; stand_by() }
#else
inline fence() { fen[id] = num[id]; let_go(); stand_by() }
#endif
#endif
inline open_session()
{
  opens++; assert(opens < 16); assert(S12 && (opens <= TURNS)); ep = opens; owner = owner | (id << ep); gs = HWAIT;
#if NGW == 2 && !defined(NO_S13)
  assert(S13 && !(was[id] && OWN(maxAdopted) != id && s_no > num[id]));
#endif
#if NGW == 2
  if :: under[id] == 0 -> under[id] = 1 :: else fi;
#endif
#ifdef M_EPOCH_FIRST
  bt = 0
#else
  HELLO_SENT
#endif
}
/* A newer session of somebody else: alone, the gateway ends; of a pair, it
 * opens again only with a greater number of the lease. */
inline lost_session()
{
  if
  :: floorEp > epo[ep] ->
#ifdef M_FENCED_OPENS
       leave(BOOTR)
#else
#if NGW == 2
       fence()
#else
       leave(ENDED)
#endif
#endif
  :: else -> leave(BOOTR)
  fi
}
inline journal_close() { j_st[id] = CLOSED; j_roll[id] = 0; j_tok[id] = 0; j_ep[id] = 0; j_off[id] = 0; j_body[id] = 0 }
/* accepted or held only if it was; void or rejected only if no recipe of it was used */
inline journal_accepted() { assert(S6 && (acc_id[j_roll[id]] == MYID || hold_id[j_roll[id]] == MYID)); journal_close() }
inline journal_void()     { assert(S6 && (acc_id[j_roll[id]] != MYID && taken_id != MYID)); journal_close() }
inline journal_verdict()  { if :: v_ok == TAKEN -> journal_accepted() :: else -> journal_void() fi }
/* a gap over the rolls up to n that have no record: their outcomes are journaled,
 * in a gap, or never were */
#define NONE_COMES(c) ((c) <= cov[id] || (c) == lost || INDEX(c) <= j_n[id])
#if NGW == 1
#define TOLD(bits) told = told | (bits)
#else
#define TOLD(bits) skip
#endif
inline cover(n)
{
  assert(S10 && (((n) < 1 || NONE_COMES(1)) && ((n) < 2 || NONE_COMES(2)) && ((n) < 3 || NONE_COMES(3)) && ((n) < 4 || NONE_COMES(4))));
  if :: n > cov[id] -> TOLD((1<<(n)) - (1<<cov[id])); cov[id] = n :: else fi
}
/* what was overwritten in the ring, or was acknowledged by the other machine,
 * stays unknown here, and so does an offer of it */
#define GONE_BY (o_n - j_n[id] > RCAP || a_n > j_n[id])
inline journal_gap()
{
  assert(S10 && GONE_BY);
  assert(S5 && (a_n > j_n[id]));         /* someone else acknowledged it */
#if NGW == 2                               /* that is, it is held by the other */
  assert(S5 && ((UPTO(a_n) & ~UPTO(j_n[id]) & ~have[1-id] & ~gone) == 0));
  held[id] = a_n;
#endif
#ifdef M_GAP_UNREAD
  j_n[id] = o_n
#else
  j_n[id] = MAX(a_n, o_n - RCAP)
#endif
}
inline acknowledge()
{
#if NGW == 2
  assert(S5 && (ACKABLE <= stored[id] || MANY));
#endif
  CH!ACK,ep,0,ACKABLE,0
}

/* Proof that the offer can no longer be accepted: the same roll has a newer
 * request, or its outcome names another offer or none; when settling also a
 * roll that waits, since the offer's session is dead. */
#define NEWER  (UNSURE && !LEFT && r_tok != j_tok[id])
#ifdef M_GAP_PROOF
#define TOLDOF(n) (j_n[id] >= (n))
#else
#define TOLDOF(n) ((have[id] >> (n)) & 1)
#endif
#define OUTED  (UNSURE && j_roll[id] != lost && TOLDOF(INDEX(j_roll[id])))
#define WAITS  (UNSURE && !LEFT && r_tok == j_tok[id] && r_await)
#define DEAD   (NEWER || OUTED || (gs == SETTLE && WAITS))
/* its roll left, everything produced is journaled, and nothing told of it: that
 * is a gap, and the offer stays unknown */
#define UNTOLD (UNSURE && LEFT && o_n == j_n[id] && !OUTED)
/* the station is empty, and its newest roll has no outcome */
#define VACANT (o_n == j_n[id] && !r_here && r_roll > cov[id])
/* the result of an offer of a newer session shows: none of ours comes any more,
 * since results come in order, and the first proof is enough */
#ifdef M_PAST
#define PAST   (1)
#else
#define PAST   (v_ok != NONE && epo[v_id/4] > epo[j_ep[id]])
#endif
#define ENOUGH (gs == WAIT -> N_WAIT : (PAST -> 0 : N_SETTLE))

active [NGW] proctype Gateway()
{
  byte gs, id, ep, bt, off, tk, rl, dm, body, cnt, vac, sus; bool high;
  d_step { id = _pid - 2; fresh[id] = 1;
#if NGW == 2
    if :: id == 0 -> gs = BOOTR; num[0] = 1 :: else -> gs = STBY fi
#endif
  }
end:
  do
#if NGW == 1
  /* crash at any point: only the journal is left */
  :: d_step { FAULT && gs != BOOTR && gs != ENDED -> faults--; leave(BOOTR) }
  /* restarted by name */
  :: d_step { gs == ENDED -> gs = BOOTR }
#else
  /* a restarted process is another instance: it waits for the lease too */
#ifdef M_INSTANCE
  :: d_step { faults > 0 && gs != STBY -> faults--; leave(BOOTR); under[id] = 0 }
#else
  :: d_step { faults > 0 && gs != STBY -> faults--; let_go(); stand_by() }
#endif
  /* the lease stood still: it was let go, or its holder lives and was slow */
  :: d_step { gs == STBY && !away && (l_holder == 0 || l_holder != id + 1 && SLOW) ->
       if :: l_holder != 0 -> faults-- :: else fi;
#ifdef M_TAKE_ABOVE
       l_no++;
#else
       l_no = MAX(l_no, num[id]) + 1;
#endif
       l_holder = id + 1; numbered(l_no);
       if
       :: num[id] > fen[id] -> fen[id] = 0; acting++; gs = BOOTR
       :: else
       fi }
  /* evidence that another holds it, or that it was let go; silence is none */
#ifndef M_EVIDENCE
  :: d_step { gs != STBY && !away && l_holder != id + 1 && l_no >= num[id] -> stand_by() }
#endif
  /* the engine forgot, or does not know of a person's word: the holder claims it */
  :: d_step { gs != STBY && !away && l_no < num[id] -> l_no = num[id] + 1; l_holder = id + 1; numbered(l_no) }
#ifdef M_SILENCE
  :: d_step { gs != STBY && away -> stand_by() }
#endif
  /* the store takes the outcomes in, some time after they are durable here */
#ifdef M_CURSOR
  :: d_step { !away && j_n[id] > sent[id] -> stored[id] = j_n[id]; sent[id] = j_n[id] }
#else
  :: d_step { !away && j_n[id] > stored[id] -> stored[id] = j_n[id] }
#endif
#ifdef M_FILLED_ONCE
  :: d_step { held[id] > filled[id] && (STORE(1-id) >> held[id]) != 0 -> filled[id] = held[id] }
#endif
  /* the engine forgets its newest number */
  :: d_step { id == 0 && faults > 0 && l_no > 1 -> faults--; l_no--; l_holder = 0 }
  /* the engine falls silent; then only a person moves the line */
  :: d_step { id == 0 && faults > 0 && !away -> faults--; away = 1 }
#ifdef M_STANDBY_SILENCE
  :: d_step { gs == STBY && away -> numbered(num[id]+1); fen[id] = 0; acting++; gs = BOOTR }
#else
  :: atomic { gs == STBY && away && acting == 0 -> by_hand() }
#endif
#if defined(PAIR) || defined(BY_HAND)
  /* or although the other lives, while the engine is silent for good, or to him alone
   * and for a while */
  :: atomic { gs == STBY && faults > 0 -> faults--; by_hand() }
#endif
#ifdef PAIR
  /* the engine answers again, and hears what was let go */
  :: d_step { id == 0 && faults > 0 && away -> faults--; away = 0 }
  :: d_step { gs == STBY && !away && l_holder == id + 1 -> l_holder = 0 }
  /* or has forgotten the newest of the outcomes */
  :: d_step { faults > 0 && !away && stored[id] > 0 -> faults--; stored[id]-- }
  /* the disk of a machine is lost, and its journal with all that the store has not got */
  :: d_step { faults > 0 && gs == STBY && !UNSURE && j_n[id] > 0 -> faults--;
       gone = gone | have[id]; old[id] = STORE(id); have[id] = 0; j_n[id] = 0; stored[id] = 0; held[id] = 0; own[id] = 0; cov[id] = 0 }
#endif
#endif

  /* one way in, whether after a crash, a reconnect or a takeover:
   * read the boot identity first, take the epoch after */
  :: d_step { gs == BOOTR -> bt = boot; gs = OPEN }
#if NGW == 2
  /* overtaken while it did not hear the controller */
  :: d_step { gs == OPEN && OVERTAKEN -> fence() }
#endif
  :: d_step { gs == OPEN && !OVERTAKEN && !AT_BOUND && nfull(conn[(opens+1) & 1]) ->
       epo[opens+1] = EPOCH;
       assert(S11 && (epo[opens+1] != 0 && epo[opens+1] <= EMAX && epo[opens+1] > own[id]));
       own[id] = epo[opens+1];
       open_session() }
  /* the bound is checked before anything is written */
  :: d_step { gs == OPEN && !OVERTAKEN && AT_BOUND -> assert(S11 && !jumped); leave(SHADOW) }
  /* the operator's memory-loss procedure at the controller */
  :: d_step { gs == SHADOW && floorEp >= EMAX -> boot++; floorEp = 0; FORGET_S13; activeEp = 0; lastOff = 0; clear_latch();
       k_ep = 0; k_tok = 0; k_off = 0; k_crc = 0; k_chk = 0;
       if :: phase == AWAIT || phase == PUB -> scan++; request() :: else fi;
       gs = BOOTR }
  :: d_step { gs == SHADOW && floorEp < EMAX -> gs = BOOTR }
  /* the journal forgot its newest epoch: restored backup, lost write */
  :: d_step { gs == OPEN && FAULT && own[id] > 0 && FIRST_OPENING -> faults--; own[id]-- }
#ifdef M_EPOCH_FIRST
  :: d_step { gs == HWAIT && bt == 0 && nfull(CH) -> bt = boot; HELLO_SENT }
#endif
  :: d_step { gs == HWAIT && MINE -> gs = SETTLE;
#if NGW == 2
       under[id] = 2; was[id] = 1
#endif
     }
  :: d_step { gs == HWAIT && bt != 0 && !MINE && (floorEp >= epo[ep] || boot != bt) -> lost_session() }
#ifndef M_HELLO_ONCE
  :: d_step { gs == HWAIT && bt != 0 && !MINE && floorEp < epo[ep] && boot == bt && empty(CH) -> HELLO_SENT }
#endif

  /* the older offer can no longer be accepted: its session is fenced off */
  :: d_step { gs == SETTLE && !MINE -> lost_session() }
  :: d_step { gs == SETTLE && MINE && !UNSURE -> forget(); gs = POLL }
#ifdef M_SETTLE_BLIND
  :: d_step { gs == SETTLE && MINE && UNSURE -> journal_void(); forget(); gs = POLL }
#endif

  :: d_step { gs == POLL && !MINE -> lost_session() }

  /* the verdict closes the offer, in the session or when settling */
  :: d_step { (gs == WAIT || gs == SETTLE) && MINE && UNSURE && NAMED -> journal_verdict(); forget(); gs = POLL }
  :: d_step { gs == WAIT && !MINE -> lost_session() }
  /* a proof, and after it newer publications without our result. An invalid
   * view proves nothing; a phase run or held with the result of another
   * offer is a contradiction to wait out. */
  :: d_step { (gs == WAIT || gs == SETTLE) && MINE && !sus && !NAMED && !BADV && (DEAD || UNTOLD) && (cnt == 0 || fresh[id]) ->
       if
       :: cnt < ENOUGH -> cnt++; fresh[id] = 0
       :: cnt >= ENOUGH && !UNTOLD -> journal_void(); forget(); gs = POLL
       :: cnt >= ENOUGH && UNTOLD -> cover(j_roll[id]); journal_close(); forget(); gs = POLL
       fi }
  :: d_step { (gs == WAIT || gs == SETTLE) && !sus && cnt > 0 && !DEAD && !UNTOLD -> cnt = 0; fresh[id] = 1 }
#ifdef M_VOID_GONE
  :: d_step { gs == WAIT && MINE && !NAMED && !BADV && (r_tok != tk || !r_await) -> journal_void(); forget(); gs = POLL }
#endif
#ifdef M_VERDICT_RANGE
  :: d_step { gs == WAIT && MINE && v_id == MYID && v_ok == NONE -> journal_void(); forget(); gs = POLL }
#endif

  /* outcomes first: journal, then acknowledge */
#ifdef M_ACK_EARLY
  :: d_step { gs == POLL && MINE && o_n > j_n[id] && nfull(CH) -> CH!ACK,ep,0,j_n[id]+1,0; gs = SENDA }
  :: d_step { gs == SENDA -> j_n[id]++; have[id] = have[id] | (1 << j_n[id]); gs = POLL }
#else
  :: d_step { (gs == POLL || gs == SETTLE || gs == WAIT) && MINE && !sus && o_n > j_n[id] && !GONE_BY ->
       j_n[id]++; have[id] = have[id] | (1 << j_n[id]); cover(ROLLOF(j_n[id]));
       if :: UNSURE && j_roll[id] == ROLLOF(j_n[id]) && acc_id[j_roll[id]] == MYID -> journal_accepted() :: else fi;
       if :: UNSURE -> skip :: else -> forget() fi;
       gs = SENDA }
  :: d_step { gs == SENDA && nfull(CH) -> if :: a_n < ACKABLE -> acknowledge() :: else fi;
       if :: UNSURE && j_ep[id] == ep -> gs = WAIT :: UNSURE && j_ep[id] != ep -> gs = SETTLE :: else -> gs = POLL fi }
#endif
#ifndef M_ACK_ONCE
  :: d_step { gs == POLL && MINE && o_n == j_n[id] && a_n < ACKABLE && empty(CH) -> acknowledge() }
#endif

  /* outcomes that were overwritten are a gap, once a second block with
   * another GEN says so too */
  :: d_step { gs == POLL && FAULT && !sus && !lie -> faults--; lie = 1 }
  :: d_step { gs == POLL && FAULT && !sus && !lie -> faults--; lie = 2 }
#ifdef M_CONFIRM
#define SAID(s) (1)
#else
#define SAID(s) (sus == (s) && G_GEN)
#endif
#define FALSE_FLOOR (lie == 2)
#define FALSE_COUNT (!FALSE_FLOOR && (lie == 1 || GONE_BY))
  :: d_step { (gs == POLL || gs == SETTLE) && MINE && !sus && (FALSE_COUNT || FALSE_FLOOR) ->
       cnt = 0; vac = 0; fresh[id] = 0; sus = (FALSE_COUNT -> 1 : 2) }
  :: d_step { (gs == POLL || gs == SETTLE) && MINE && SAID(1) && FALSE_COUNT -> journal_gap(); forget() }
  /* a floor that was believed stays the greatest that was seen, and the true one
   * after it is that of a controller that lost its memory: a gap over everything */
#ifdef M_OWN_FLOOR
#define BELIEVED (1)
#else
#define BELIEVED SAID(2)
#endif
  :: d_step { (gs == POLL || gs == SETTLE) && MINE && BELIEVED && FALSE_FLOOR -> high = 1 }
  :: d_step { (gs == POLL || gs == SETTLE) && MINE && high && lie != 2 -> high = 0; assert(S10 && floorEp == 0) }
  :: d_step { (gs == POLL || gs == SETTLE) && MINE && sus && fresh[id] && !(sus == 1 -> FALSE_COUNT : FALSE_FLOOR) -> sus = 0 }

  /* the newest roll left without an outcome, once the station stays empty: its
   * phase may be one that lags */
  :: d_step { gs == POLL && MINE && !sus && VACANT && (cnt == 0 || G_SAMEROLL && fresh[id]) ->
       if
       :: cnt < N_EMPTY -> cnt++; fresh[id] = 0; vac = r_roll
       :: else -> cover(r_roll); forget()
       fi }
  :: d_step { gs == POLL && !sus && cnt > 0 && !(VACANT && G_SAMEROLL) -> cnt = 0; vac = 0; fresh[id] = 1 }

  /* a request, read in two halves */
  :: d_step { gs == POLL && MINE && !sus && o_n == j_n[id] && r_await && perm && !MANUAL -> forget(); tk = r_tok; rl = r_roll; gs = READB }
  /* an outcome cannot be read for a while: the roll that waits is served */
  :: d_step { gs == POLL && MINE && !sus && FAULT && o_n > j_n[id] && !GONE_BY && r_await && perm -> faults--;
       forget(); tk = r_tok; rl = r_roll; gs = READB }
  :: d_step { gs == READB -> dm = r_dim;
       if
       :: G_READ ->
            /* the request covers the rolls before it only where no outcome is unread */
            if :: G_READUP -> cover(rl-1) :: else fi;
            TOLD(1<<(rl-1));
#ifdef M_REQUEST_JUMPS
            cov[id] = MAX(cov[id], rl);
#else
            if :: cov[id] == rl-1 -> cov[id] = rl :: else fi;
#endif
            gs = DECIDE
       :: else -> forget(); gs = POLL
       fi }
  /* compute, and record the intent durably */
  :: atomic { gs == DECIDE ->
       if
       :: off == MAXOFF -> usedup++; leave(BOOTR)    /* never wrap: open a new session */
       :: else -> off++;
            if
            :: body = dm
            :: events > 0 -> events--; body = dm + OVERRIDE
            :: events > 0 -> events--; body = HOLD
            fi;
            dm = 0;
            j_st[id] = INTENT; j_roll[id] = rl; j_tok[id] = tk; j_ep[id] = ep; j_off[id] = off; j_body[id] = body; rl = 0;
            gs = SEND1
       fi }
  :: d_step { gs == SEND1 && nfull(CH) -> CH!PAY1,ep,tk,off,0; gs = SEND2 }
  :: d_step { gs == SEND2 && nfull(CH) -> CH!PAY2,0,0,body,PCRC(ep,tk,off,body); gs = RBACK }
#ifdef M_READBACK
  :: d_step { gs == RBACK -> gs = PRE }
#else
  :: d_step { gs == RBACK && WRITTEN -> gs = PRE }
#endif
  :: d_step { gs == RBACK && !WRITTEN && !MINE -> journal_void(); lost_session() }
  :: d_step { gs == RBACK && !WRITTEN && MINE && empty(CH) -> gs = SEND1 }
  :: d_step { gs == PRE ->
       if
       :: G_PRE ->
#ifndef M_JOURNAL_LATE
          j_st[id] = COMMIT;
#endif
          gs = SENDC1
       :: else -> journal_void(); forget(); gs = POLL
       fi }
  :: d_step { gs == SENDC1 && nfull(CH) -> CH!COM1,ep,tk,0,0; gs = SENDC2 }
  :: d_step { gs == SENDC2 && nfull(CH) -> CH!COM2,0,KCHK(ep,tk,off),off,PCRC(ep,tk,off,body); gs = WAIT }
#ifdef M_JOURNAL_LATE
  :: d_step { gs == WAIT && j_st[id] == INTENT -> j_st[id] = COMMIT }
#endif
#ifndef M_COMMIT_ONCE
  :: d_step { gs == WAIT && MINE && !NAMED && cnt == 0 && empty(CH) && WAITS && late == 0 && !latched &&
       !(k_ep == ep && k_tok == tk && k_off == off && k_chk == KCHK(ep,tk,off)) -> gs = SENDC1 }
#endif
  /* spurious timeout: fence the offer off with a new session */
  :: d_step { gs == WAIT && FAULT -> faults--;
#ifdef M_TIMEOUT_VOID
       journal_void(); forget(); gs = POLL
#else
       leave(BOOTR)
#endif
     }
  :: d_step { gs == RBACK && FAULT -> faults--; gs = SEND1 }
  od
}

/* a store that is silent for good leaves fewer than ALONE unacknowledged */
#define ALL (o_n + (lost != 0) == ROLLS)
#if NGW == 1
#define DONE (ALL && a_n == o_n && j_st[0] == CLOSED)
#define EACH (told == (1<<ROLLS) - 1)
#else
#define EACH (1)
#define DONE (ALL && (a_n == o_n || away && !MANY))
#endif

#if NGW == 2
/* who tells of no gap any more has all that stands in one in the store */
#define KEPT(i) (ALARM(i) || (UPTO(held[i]) & ~have[i] & ~(STORE(0) | STORE(1))) == 0 || ANEW(i))
/* the limit: a journal is lost, and a newer outcome of the other has arrived */
#define ANEW(i) ((gone & ~have[i] & UPTO(held[i])) != 0 && ((have[1-(i)] & UPTO(stored[1-(i)])) >> held[i]) != 0)
/* and once the store has all journals, a gap is told of only where one was lost */
#define FILLED (away || gone || !ALARM(0) && !ALARM(1))
#else
#define KEPT(i) (1)
#define FILLED (1)
#endif

#ifndef NO_MONITOR
active proctype Monitor()
{
end:
  do
#if NGW == 2
  :: !(KEPT(0) && KEPT(1)) -> assert(S14 && (KEPT(0) && KEPT(1)))
#endif
  :: timeout -> assert(L1 && (DONE && FILLED)); assert(S10 && EACH); break
  od
}
#endif

#if NGW == 1
#define OVER (ALL && a_n == o_n)
#else
#define OVER DONE
#endif
ltl done { <> OVER }                                                    /* L2 */
