"""First bytes of real partitions, recorded in a Debian 12 guest (lvm2 2.03.16, cryptsetup 2.6.1).

LVM_HEAD: a group `boardvg` with root (grown once, so in two pieces), home, and spare (not active).
LUKS_1, LUKS_2: containers that a throw-away passphrase opens; their key slots are not here.
"""

from __future__ import annotations

import base64
import zlib


class Recorded:
    """Bytes of a partition, of which only the first ones were kept; zeroes behind them."""

    def __init__(self, packed: str, size: int) -> None:
        self._head = zlib.decompress(base64.b85decode(packed))
        self.size = size

    def read(self, offset: int, length: int) -> bytes:
        """Return length bytes from offset."""
        return self._head[offset : offset + length].ljust(length, b"\0")

    def changed(self, at: int, content: bytes) -> Recorded:
        """Return it with other bytes at a place."""
        found = Recorded(_LVM, self.size)
        found._head = self._head[:at] + content + self._head[at + len(content) :]
        return found


_LVM = (
    "c-rk)U2oz>6ixb2snbgBbDu_zDs8qMG9DWTqU}m-fE8OqfB@-c6(NHia0Cq4#(b<+>QmqQSNgK*Kk8$DLT7A9cC(~v"
    "(~y$xJqUR|Jf1t}dd|I`tu4UE3^VgAXC9Su+lzYg?b~0mY;P19rc`A==8mfQS+=6ixIeQzlNT@a3tN3rbi8Wb>1}QO"
    "^hG@KtG}LT+5N|tE4x1t|7~yw00000000000068F<tN(DIQrO|zDj1k@o4Gs)9qE?YhTBg-#(46zkHtk9oT#LXmQK4"
    "!w!CpTpNFnm0l?|?jDoAJE@aeHl>l1QDa2BQ=TDnqiPV(9CnMYf_!H*;9`J^&bimOf@o~mXQC&tg0U~^uas);xNw@w"
    "JTr63cUaUiS$RFF7HT==44wC^PITWHa;AYZ2%5e-cSJ)<O*7QDrp;a`YBVYi7eyzqY%8#uZ9a4zKWan6?#y@FR<9ZI"
    "-ncJXUyHVoUal!V!yxhygUC}1B9AeMJjWpNAcMpw849wU&}~Ztls!@0>v2A$3VL@z8PhyE%+#V4y|(~y|I&J$rVUEb"
    "&}oW+o+O4*JtgaHJ|4)ro<?uP4~hQ{e(nq$&k7tHw`TE13?0vR`2e#7)e@@li0$G>j50=OlBlWO16&lHB_3jpVl{Q3"
    "rw)=-%)tzV+I%31ltw8vK`PG2&S^x%;O8D64;8eWKzdJD?zcU67{m?AiRT6mKKFPZhn=?P2+Q#D9l2s9A!vy@#i(YN"
    "`;q&FLp-7>pY34N9gL?qu45yiCMZen6RU3<I^I$7aj}fc)m*Mvt~IkSOPONf5NDm1YYn2Ch4;lUxnzT=Dq+Sho~DeZ"
    "p<hiIxP3{rx-Y0U^rS|`q&KqyyL^57pTYjW_5Sbi&ULdr&Vx(4_15IPJtjSmPRQ7-?2}}E-XW>>ixEjrY9(UO(|Ikt"
    "#`wD&i$bGtT=>A+8~2fV<E|DC@ARdQmWvS5v1n3-!O>Eiu^S_&EIfL7cM_psHjK#i1EDvLE$x<t_nsKFL{=h2xKONs"
    "qO*vtH+LwP>N@1I7cS(I%rF_?$dkmx1}!cHbkkH*U8$NXs3z$D-`0N(^dI#9KJ*`Txv+IfO}U~6xiP7h^fBoePMK&`"
    ">X7~<ut~Pl8W1yMXDYM1q=v1H8hTr51gUo)8`(X?#>kZ-HtL%j8`;X($o_Y+@!#sd4*C!J5BmS#>Ob;_mUl(Y;i$ep"
    "tB@b+jhCd5SL-Ak&AY@;(>l4Bw#3U*t`?HT2SLuQUmNyNV`J<}5gZu=N5IC%|0Kl!k2C(WdyW5#sn~~8i6>v1i`{lA"
    "4RQ_0H8v&J(AJY{L~FKXe(`PUGQZf9va@MPhPE=v&>+bG00000000000002sALCDyw4s;"
)
_LUKS_1 = (
    "c-r#`^$y;(kAX2UwU_}Ps3<AcEyzjC%ri5=DqozDXk==J&jbMw;jrn}({S4uLH$$QtRXgm`yR^eGhVD3vc=bSbGATL"
    "o@p9KKl6fGU&WipKFDrjtq9ffbkq94z`*>%B0162+#=0VH^n$LN!P^EG)dROGR;8Oz}VO<*~l!-(9*yhY|Wa&&mi?h"
    "_uf33%_w`Ifp>oMx2G+UPaRGxC^Q6pe7*O|71xJ`kAW&V7#R2$FfiO(%Rm%hVjxXD^AFP0vwk2=J^KsN)N?){O+EJw"
    "($w=_fT$k@qhJ(_f>AIEM!_f;1*2dTjDk@x7y$r3eN@B"
)
_LUKS_2 = (
    "c-rmQy=xO;90%~Af^~4It2o@IO~~El-cnkyO=@kEDlv_X5h<74ljM5WyX2lrF0oX^K|}{<9mEdeCRPVQ(M3=?=wINd"
    "gCM#%3i@1(ZEO)c>-RGpdEURj=g4x|LMH$8MPyH;=Xj)VZ(DEKeq{G(T^D8L&*P6jr*3)jxAfOf&kvqxZftb+zp~=@"
    "Z=RW~-n+iGek}HJ_}zmeo_ssmeDdtT@Etq<X6zw-Idu5T(3RSawe|OW(vStBCt^xMGGdY-2r<247%{;x%9>&jl}LQ#"
    "KXhs4k#uNQ4wA2n^zw&uV{ha1?%emIUP|6~b>!OIPy_$~00000fLY-z(xtZRQ*LyH<HLvFZ4hphvs)Gwxo9}PNX?6^"
    "OOc|SUfniDU{k2?nGM2rka(Vta&?{7+33$t0^BNF<Pm*fnWqPAkz1`&;<IK#R241UrFRG?${H_)ZQ@kCZo@ZShxO`&"
    "#yUQYHEi8<6lq&7c7|mPCTo;gJ52w3mMCZX#M8q)Sz4i&mg;txBGr<Yk`tL`J)WZ3Q%*aPEw=3-Kap0>s?}_*+o?K*"
    "g>Img3)VQdy2?)UU5kX<tgzpd)Ru{}^AdX%3>GUWs;Y{DvQ@9qb@XMk5@u^J`T@}`*2(|9eo897>-Dcd7Q`@;Vb%!U"
    "nPT%cw%+x5HsQix?taIv?~Bav<>|VV?&N|zsnOE3Rm#zmQ>SY!JIH1down~9BdujmBb9OPS2DKF7fK5yf6~r0i}i#("
    "H=j(q6YZikHLn(kJQ+{tW@al&I>=e=sqmhoT*Y;&W-Y8{iMmd|UQQ52O&h3avtLmqMq^9y=LP@(000000000000000"
    "00000004l0$`2efBlG"
)
LVM_HEAD = Recorded(_LVM, 200 << 20)
LUKS_1 = Recorded(_LUKS_1, 40 << 20)
LUKS_2 = Recorded(_LUKS_2, 80 << 20)
