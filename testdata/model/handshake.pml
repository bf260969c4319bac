/* ======================================================================
 * handshake.pml - model of the recipe handshake between a gateway and a
 * line controller, for the Spin model checker (6.5.x).
 *
 * What is modelled
 *   Controller   a PLC: every guarded step below is one scan. It owns the
 *                rolls, the request block, the result and the outcome ring.
 *   Gateway      one or two instances (NGW). Each has a durable journal
 *                that survives a crash, and volatile state that does not.
 *   Network      two connections. Each is first-in first-out, but messages
 *                of an old connection may arrive after those of a new one,
 *                be delayed without bound, be lost, or be delivered twice.
 *   Blocks tear  the request is published in two halves and read in two
 *                halves; the payload and the commit are each written in two
 *                halves that can be interleaved with anything.
 *   Faults       F of any kind in any mix and order: gateway crash,
 *                controller restart (register image kept or cleared),
 *                loss of the retained epoch floor, message loss, duplication,
 *                spurious timeout, takeover by the other gateway, an epoch
 *                store that forgets its newest value.
 *   Events       EV of any kind: rescan of the same roll, permissive drop,
 *                operator override, gateway hold, manual mode.
 *
 * What is checked (names as in handshake.md)
 *   S1 an accepted recipe was computed from the scan now at the station
 *   S2 one roll is accepted at most once
 *   S3 one offer is accepted at most once
 *   S4 no accept without a durable commit record for exactly that offer
 *   S5 no outcome is forgotten by the controller before it is journaled
 *   S6 the journal's verdict on an offer is the controller's verdict
 *   S7 no accept under a session older than the newest one adopted
 *   S8 no accept while a permissive is off
 *   L1 when nothing can move any more, every roll is finished, journaled
 *      and acknowledged (checked in every terminal state)
 *   L2 with weak fairness every run gets there (ltl done)
 *
 * A CRC is modelled as perfect: it is the tuple it protects.
 * Time is not modelled: a real timeout fires only when the answer can no
 * longer come (nothing in flight); a spurious one costs a fault.
 *
 * Each guard of the design can be removed with -DM_xxx. Spin must then
 * find a violation; see check.sh.
 * ====================================================================== */

#ifndef ROLLS
#define ROLLS 2     /* rolls that pass the station (at most 3)            */
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
#ifndef RCAP
#define RCAP 1      /* outcome ring capacity                              */
#endif
#ifndef MAXOFF
#define MAXOFF 2    /* offers in one session; then a new session is opened*/
#endif
#ifndef QLEN
#define QLEN 3      /* messages in flight on one connection               */
#endif

/* ---- packed values --------------------------------------------------- */
#define TOK(b,q)     ((b)*8+(q))              /* request token            */
#define RCRC(t,d)    ((t)*8+(d))              /* CRC of the request block */
#define ID(e,o)      ((e)*4+(o))              /* offer identity           */
#define PCRC(e,t,o,b) (((((e)*64+(t))*4+(o))*32)+(b))  /* payload CRC     */
/* recipe bodies: 1..7 computed from scan 1..7, 9..15 the same with an
 * operator override, 16 a hold, 17 manual (outcome only)                 */
#define OVERRIDE 8
#define HOLD     16
#define MANUAL   17

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
#define LATCHED 3   /* an offer was copied out of the register image      */
#define RUN     4   /* offer accepted, roll being wrapped                 */
#define HELD    5   /* hold accepted, waiting for the operator            */

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
#define STBY   15
#define WAIT2  16   /* only in a mutant */

chan conn[2] = [QLEN] of { byte, byte, byte, byte, int };
               /*          kind  ep    tok   off   body or crc            */

/* ---- fault and event budgets ---------------------------------------- */
byte faults = F;
byte events = EV;

/* ---- controller: internal, retained over a restart ------------------- */
byte phase, boot = 1, req, scan, roll, tok;
byte floorEp;                     /* newest epoch ever adopted            */
byte activeEp;                    /* opening in force (epoch and nonce),
                                   * 0: no session                        */
byte lastOff;                     /* newest offer handled in this session */
bool perm = 1;                    /* permissives                          */
byte o_n, a_n;                    /* outcomes produced, acknowledged      */
byte acc_id[ROLLS+1];             /* offer accepted for roll n, 0 if none  */
/* latch: private copy of commit and payload */
byte lc_ep, lc_tok, lc_off, lp_ep, lp_tok, lp_off, lp_body;
int  lc_crc, lp_crc;

/* ---- registers the controller writes --------------------------------- */
bool r_await; byte r_tok, r_roll, r_dim; int r_crc;
byte res_id; bool res_ok;

/* ---- registers the gateway writes ------------------------------------ */
byte w_ep, w_tok, w_off, w_body; int w_crc;
byte k_ep, k_tok, k_off; int k_crc; byte k_chk;

/* ---- durable on the gateway side ------------------------------------- */
byte next_ep;                     /* epoch counter, or the lease engine   */
byte opens;                       /* session openings so far: the nonce   */
byte epo[16];                     /* epoch of each opening                */
byte j_st[NGW], j_roll[NGW], j_tok[NGW], j_ep[NGW], j_off[NGW], j_body[NGW];
byte j_n[NGW];                    /* outcomes journaled so far            */
int  owner;                       /* bit n: opening n is of gateway 1     */

/* ---- ghosts: for the assertions only --------------------------------- */
byte maxAdopted;
byte hold_id[ROLLS+1];            /* newest hold offer taken for roll n     */

#define OWN(e)   ((owner >> (e)) & 1)
#define g        OWN(lc_ep)

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

/* The commit block carries a check word over its own halves. */
#define KCHK(e,t,o) (((e)*7+(t)*3+(o)) & 255)

inline clear_latch() { lc_ep = 0; lc_tok = 0; lc_off = 0; lc_crc = 0; lp_ep = 0; lp_tok = 0; lp_off = 0; lp_body = 0; lp_crc = 0 }

inline request()      /* give the roll a token nobody has ever seen */
{
  req++; assert(req < 8 && scan < 8);
#ifdef M_BOOT_TOKEN
  tok = TOK(0, req);
#else
  tok = TOK(boot, req);
#endif
  r_tok = tok; r_roll = roll; r_await = 1; phase = PUB
}

/* ====================================================================== */
active proctype Controller()
{
end:
  do
  /* a roll arrives, if its outcome will have a place in the ring */
  :: d_step { phase == EMPTY && roll < ROLLS && G_ROOM -> roll++; scan++; request() }
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

  /* operator wraps the roll by hand */
  :: d_step { phase == AWAIT && events > 0 -> events--; r_await = 0; o_n++; phase = EMPTY }
  :: d_step { phase == HELD -> o_n++; phase = EMPTY }
  /* or asks for another try: a new request, the old offer stays dead */
  :: d_step { phase == HELD && events > 0 -> events--; request() }

  /* a commit for this session, this request, not handled before:
   * copy everything out of the register image */
  :: d_step { phase == AWAIT && activeEp != 0 && k_ep != 0 && G_EPOCH && G_TOKEN && G_NEW && G_WHOLE ->
       lc_ep = k_ep; lc_tok = k_tok; lc_off = k_off; lc_crc = k_crc;
       lp_ep = w_ep; lp_tok = w_tok; lp_off = w_off; lp_body = w_body; lp_crc = w_crc;
       phase = LATCHED }

  /* the session changed under the latch: forget it */
  :: d_step { phase == LATCHED && !G_RECHECK -> phase = AWAIT; clear_latch() }
  /* judge the copy, never the live image */
  :: d_step { phase == LATCHED && G_RECHECK ->
       lastOff = lc_off; res_id = ID(lc_ep, lc_off);
       if
       :: (G_PERM || lp_body == HOLD) && G_HEAD && G_CRC ->
#ifdef M_IN_PLACE
          lp_body = w_body;      /* judged the copy, uses the live image */
#endif
          res_ok = 1; r_await = 0;
          assert(lp_body == HOLD || (lp_body & 7) == scan);          /* S1 */
          assert(lp_body == HOLD || acc_id[roll] == 0);              /* S2 */
          assert(acc_id[roll-1] != ID(lc_ep, lc_off) && hold_id[roll-1] != ID(lc_ep, lc_off) && hold_id[roll] != ID(lc_ep, lc_off));   /* S3 */
          assert(j_st[g] == COMMIT && j_tok[g] == tok && j_ep[g] == lc_ep && j_off[g] == lc_off && j_body[g] == lp_body);        /* S4 */
          assert(lc_ep == maxAdopted);                               /* S7 */
          assert(perm || lp_body == HOLD);                           /* S8 */
          if
          :: lp_body == HOLD -> hold_id[roll] = ID(lc_ep, lc_off); phase = HELD
          :: else -> acc_id[roll] = ID(lc_ep, lc_off); phase = RUN
          fi
       :: else -> res_ok = 0; phase = AWAIT
       fi;
       clear_latch() }

  /* the roll leaves */
  :: d_step { phase == RUN -> o_n++; phase = EMPTY }

  /* restart: a roll without a recipe is measured again under a new token;
   * the session ends; the register image survives or is cleared */
  :: atomic { faults > 0 -> faults--; boot++;
#ifndef M_BOOT_SESSION
       activeEp = 0; lastOff = 0;
#endif
#ifdef M_BOOT_TOKEN
       req = 0;
#endif
#ifdef M_RESULT_VOLATILE
       res_id = 0; res_ok = 0;
#endif
       clear_latch();
       if
       :: phase == AWAIT || phase == PUB || phase == LATCHED -> scan++; request()
       :: else
       fi;
       if
       :: skip
       :: w_ep = 0; w_tok = 0; w_off = 0; w_body = 0; w_crc = 0; k_ep = 0; k_tok = 0; k_off = 0; k_crc = 0; k_chk = 0
       :: floorEp = 0                 /* the epoch floor is lost as well */
       fi }
  od
}

/* ---- the network ------------------------------------------------------ */
inline deliver()
{
  if
  :: m == HELLO ->
       if
       :: G_FLOOR && G_BOOT -> floorEp = epo[e]; activeEp = e; lastOff = 0;
             assert(e > maxAdopted); maxAdopted = e                   /* S7 */
       :: else
       fi
  :: m == PAY1 -> w_ep = e; w_tok = t; w_off = o
  :: m == PAY2 -> w_body = o; w_crc = x
  :: m == COM1 -> k_ep = e; k_tok = t
  :: m == COM2 -> k_off = o; k_crc = x; k_chk = t
  :: m == ACK  ->
       if
       :: e == activeEp && o <= o_n && o > a_n -> a_n = o;
#if NGW == 1
          assert(j_n[0] >= a_n)                                       /* S5 */
#else
          assert(j_n[0] >= a_n || j_n[1] >= a_n)
#endif
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
  :: d_step { faults > 0 && nempty(conn[0]) -> faults--; conn[0]?<m,e,t,o,x>; deliver() }
  :: d_step { faults > 0 && nempty(conn[1]) -> faults--; conn[1]?<m,e,t,o,x>; deliver() }
  :: d_step { faults > 0 && nempty(conn[0]) -> faults--; conn[0]?m,e,t,o,x; m = 0; e = 0; t = 0; o = 0; x = 0 }
  :: d_step { faults > 0 && nempty(conn[1]) -> faults--; conn[1]?m,e,t,o,x; m = 0; e = 0; t = 0; o = 0; x = 0 }
  od
}

/* ---- the gateway ------------------------------------------------------ */
#define CH      conn[ep & 1]
#define MINE    (activeEp != 0 && SAME(activeEp, ep) && boot == bt)
#define WRITTEN (w_ep == ep && w_tok == tk && w_off == off && w_body == body && w_crc == PCRC(ep,tk,off,body))
#define ANSWER  (res_id == ID(ep, off))
#define MYID    ID(j_ep[id], j_off[id])

#ifdef M_PRE
#define G_PRE (1)
#else
#define G_PRE (MINE && r_await && r_tok == tk && perm)
#endif

inline forget() { tk = 0; rl = 0; dm = 0; body = 0 }
inline open_session()
{
  opens++; assert(opens < 16); ep = opens; epo[ep] = next_ep; owner = owner | (id << ep); gs = HWAIT;
#ifdef M_EPOCH_FIRST
  bt = 0
#else
  CH!HELLO,ep,bt,0,0
#endif
}
inline lost_session() { forget(); if :: floorEp > epo[ep] -> gs = STBY; off = 0; ep = 0; bt = 0 :: else -> gs = BOOTR; off = 0; ep = 0; bt = 0 fi }
inline journal_close() { j_st[id] = CLOSED; j_roll[id] = 0; j_tok[id] = 0; j_ep[id] = 0; j_off[id] = 0; j_body[id] = 0 }
/* S6: accepted or held only if it was; void or rejected only if no recipe of it was used */
inline journal_accepted() { assert(acc_id[j_roll[id]] == MYID || hold_id[j_roll[id]] == MYID); journal_close() }
inline journal_void()     { assert(acc_id[j_roll[id]] != MYID); journal_close() }

active [NGW] proctype Gateway()
{
  byte gs, id, ep, bt, off, tk, rl, dm, body;
  d_step { id = _pid - 2; if :: id == 0 -> gs = BOOTR :: else -> gs = STBY fi }
end:
  do
  /* crash at any point: only the journal is left */
  :: d_step { faults > 0 && gs != BOOTR && gs != STBY -> faults--; gs = BOOTR; off = 0; ep = 0; bt = 0; forget() }
  /* the other instance takes over: its lease may have run out while the
   * holder still believes in it */
  :: d_step { gs == STBY && faults > 0 -> faults--; gs = BOOTR }

  /* one way in, whether after a crash, a reconnect or a takeover:
   * read the boot identity first, take the epoch after */
  :: d_step { gs == BOOTR -> bt = boot; gs = OPEN }
  :: d_step { gs == OPEN && nfull(conn[(opens+1) & 1]) ->
       next_ep = (next_ep > floorEp -> next_ep : floorEp) + 1;
       open_session() }
  /* the epoch store forgot its newest value: restored backup, lost write */
  :: d_step { gs == OPEN && faults > 0 && next_ep > 0 && nfull(conn[(opens+1) & 1]) -> faults--;
       open_session() }
#ifdef M_EPOCH_FIRST
  :: d_step { gs == HWAIT && bt == 0 && nfull(CH) -> bt = boot; CH!HELLO,ep,bt,0,0 }
#endif
  :: d_step { gs == HWAIT && MINE -> gs = SETTLE }
  :: d_step { gs == HWAIT && bt != 0 && !MINE && (floorEp >= epo[ep] || boot != bt) -> lost_session() }
  :: d_step { gs == HWAIT && bt != 0 && !MINE && floorEp < epo[ep] && boot == bt && empty(CH) -> CH!HELLO,ep,bt,0,0 }

  /* the older offer can no longer be accepted: its session is fenced off.
   * Was it? One consistent status snapshot tells. */
  :: d_step { gs == SETTLE && !MINE -> lost_session() }
  :: d_step { gs == SETTLE && MINE ->
       if
       :: (j_st[id] == INTENT || j_st[id] == COMMIT) && o_n < j_roll[id] ->
            if
#ifdef M_SETTLE_BLIND
            :: false
#else
            :: res_ok && res_id == MYID -> journal_accepted()
#endif
            :: else -> journal_void()
            fi
       :: else
       fi;
       gs = POLL }

  :: d_step { gs == POLL && !MINE -> lost_session() }
  /* outcomes first: journal, then acknowledge */
#ifdef M_ACK_EARLY
  :: d_step { gs == POLL && MINE && o_n > j_n[id] && nfull(CH) -> CH!ACK,ep,0,j_n[id]+1,0; gs = SENDA }
  :: d_step { gs == SENDA -> j_n[id]++; gs = POLL }
#else
  :: d_step { gs == POLL && MINE && o_n > j_n[id] ->
       assert(o_n - j_n[id] <= RCAP || a_n > j_n[id]);   /* S5: still in the ring, or someone else acknowledged it */
       j_n[id]++;
       if
       :: j_roll[id] == j_n[id] && (j_st[id] == INTENT || j_st[id] == COMMIT) ->
            if
            :: acc_id[j_n[id]] == MYID || (res_ok && res_id == MYID) -> journal_accepted()
            :: else -> journal_void()
            fi
       :: else
       fi;
       gs = SENDA }
  :: d_step { gs == SENDA && nfull(CH) -> CH!ACK,ep,0,j_n[id],0; gs = POLL }
#endif
  :: d_step { gs == POLL && MINE && o_n == j_n[id] && a_n < j_n[id] && empty(CH) -> CH!ACK,ep,0,j_n[id],0 }

  /* a request, read in two halves */
  :: d_step { gs == POLL && MINE && o_n == j_n[id] && r_await && perm -> tk = r_tok; rl = r_roll; gs = READB }
  :: d_step { gs == READB -> dm = r_dim;
       if
       :: G_READ -> gs = DECIDE
       :: else -> forget(); gs = POLL
       fi }
  /* compute, and record the intent durably */
  :: atomic { gs == DECIDE ->
       if
       :: off == MAXOFF -> forget(); gs = BOOTR; off = 0; ep = 0; bt = 0   /* never wrap: open a new session */
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
  /* the verdict, and nothing but the verdict, closes the offer */
  :: d_step { gs == WAIT && ANSWER ->
       if
       :: res_ok -> journal_accepted()
       :: else -> journal_void()
       fi;
       forget(); gs = POLL }
  :: d_step { gs == WAIT && !ANSWER && !MINE -> lost_session() }
  /* the request is gone and the offer was not answered: it never will be */
#ifdef M_SPLIT_STATUS
  :: d_step { gs == WAIT && !ANSWER && MINE && r_tok == tk && r_await -> gs = WAIT2 }
  :: d_step { gs == WAIT2 ->
       if :: MINE && (r_tok != tk || !r_await) -> journal_void(); forget(); gs = POLL :: else -> gs = WAIT fi }
#else
  :: d_step { gs == WAIT && !ANSWER && MINE && (r_tok != tk || !r_await) -> journal_void(); forget(); gs = POLL }
#endif
  :: d_step { gs == WAIT && !ANSWER && MINE && empty(CH) && r_tok == tk && phase == AWAIT &&
       !(k_ep == ep && k_tok == tk && k_off == off && k_chk == KCHK(ep,tk,off)) -> gs = SENDC1 }
  /* spurious timeout: fence the offer off with a new session */
  :: d_step { gs == WAIT && faults > 0 -> faults--;
#ifdef M_TIMEOUT_VOID
       journal_void(); forget(); gs = POLL
#else
       forget(); gs = BOOTR; off = 0; ep = 0; bt = 0
#endif
     }
  :: d_step { gs == RBACK && faults > 0 -> faults--; gs = SEND1 }
  od
}

#ifndef NO_MONITOR
active proctype Monitor() { end: do :: timeout -> assert(a_n == ROLLS); break od }   /* L1 */
#endif

ltl done { <> (a_n == ROLLS) }                                                      /* L2 */
