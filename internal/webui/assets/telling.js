// @ts-check
// Entries of a trail in words: what was said or measured, how it is known, and whether it stands out for who reads later.
import { alignmentWords } from "./alignment.js";
import { h, part } from "./dom.js";
import { clock, degText, deviation, lengthShort, lengthText, NBSP } from "./format.js";
import { amountText } from "./gatestate.js";
import { CAUSES, datum, gate, quantity, reading, sensor, sentence, side, value, verdict } from "./words.js";

/** @typedef {import("./gather.js").Trail} Trail */
/** @typedef {"measured" | "computed" | "declared" | "photographed" | "typed"} How */
/** @typedef {{what: any, more?: any[], how: How, out?: string}} Told what, details, how it is known, and under what it stands out */

/** @param {string | undefined} to */
const toSide = (to) => (to === "left" || to === "right" ? ["to vehicle ", side(to)] : to ? to.replaceAll("-", " ") : "");
const OUTCOME = (/** @type {string} */ o) => o.replaceAll("-", " ");
const photos = part(() => import("./marking.js"));

/** Everything drawn on a photo, in order, by whom. @param {Trail} t @param {string} photo */
const marks = (t, photo) => t.calibration.filter((e) => e.body.type === "photo-marked" && e.body.command.data.photo === photo).flatMap((e) =>
  e.body.command.data.marks.map((/** @type {any} */ m) => ({ ...m, role: e.body.by.role, text: m.kind === "text" ? t.plain(e.body.command.data.text) : "" })));

/** What a step says, or what was said back. @param {any} s */
function step(s) {
  const amount = s.value_um !== undefined ? lengthShort(Math.abs(s.value_um)) : s.value_udeg !== undefined ? degText(Math.abs(s.value_udeg)) : "";
  const parts = [s.step && sentence(s.step) + (s.move ? `, ${s.move}` : ""), s.target && `target ${s.target}`, s.position && `position ${s.position}`, amount, s.side && toSide(s.side), s.datum && `from ${datum(s.datum)}`].filter(Boolean);
  return parts.flatMap((p, i) => (i ? [", ", p] : [p]));
}

/** @param {any} j of a verdict @param {boolean} behind */
function judged(j, behind) {
  const unit = j.deviation_udeg !== undefined ? "udeg" : "um", said = (/** @type {number} */ n) => (unit === "udeg" ? degText(n) : lengthText(n));
  const bound = (/** @type {number} */ n) => deviation({ quantity: j.quantity, ["deviation_" + unit]: n }, behind);
  const lower = j["lower_" + unit], upper = j["upper_" + unit], tolerance = j["tolerance_" + unit];
  const limit = tolerance !== undefined ? `limit ±${said(tolerance)}` : [lower, upper].filter((n) => n !== undefined).map((n) => "limit " + bound(n)).join(", ") || "no limit";
  return h("li", null, `${sentence(quantity(j.quantity))}: `, h("b", null, deviation(j, behind)), `; ${limit}; standard uncertainty ${said(j["standard_uncertainty_" + unit] ?? 0)}; within limits with ${(j.conformance_ppm / 1e4).toFixed(1)}${NBSP}% probability`);
}

/** Readings that have a side are told with it, by the quantity that counts the same way. */
const SIDED = /** @type {Record<string, string>} */ ({ "centre-offset": "lateral", slide: "lateral", level: "roll", tilt: "tilt", yaw: "yaw" });

/** @param {any} r @param {boolean} behind */
const amount = (r, behind) => (SIDED[r.quantity] ? deviation({ quantity: SIDED[r.quantity], deviation_um: r.value_um, deviation_udeg: r.value_udeg }, behind) : value(r));

/** @param {Trail} t @param {any[]} list @param {boolean} behind @param {string} from the datum of the sheet they were taken by @param {any[]} [suspects] of the verdict, by their place in the list */
function readings(t, list, behind, from, suspects) {
  return h("ul", { class: "readings-told" }, list.map((r, i) => {
    const odd = suspects?.find((x) => x.reading === i), by = odd?.likely_error_um ?? odd?.likely_error_udeg;
    return h("li", null, reading(r, "", from), ": ", h("b", null, amount(r, behind)), ` (${t.things.get(r.instrument)?.value.name ?? "an instrument"})`,
      odd && h("b", { class: "bay" }, " likely wrong", by !== undefined && ` by ${odd.likely_error_um !== undefined ? lengthText(Math.abs(by)) : degText(Math.abs(by))}`));
  }));
}

/** What a sheet says: typed with the command, or of the procedure and then with the decision. @param {any} b */
export const sheetOf = (b) => ({ ...b.command.data, ...b.decided });

/** The datum of the sheet that stood when an entry was made. @param {Trail} t @param {import("./proving.js").Entry} e */
const datumAt = (t, e) => {
  const sheet = t.calibration.findLast((x) => x.body.type === "sheet-issued" && x.seq < e.seq);
  return sheet ? sheetOf(sheet.body).setup?.datum ?? "" : "";
};

/** Where a set-up sheet wants the target at each position. @param {any} d */
function wanted(d) {
  const from = d.setup ? ` from the ${datum(d.setup.datum)}, along the ${datum(d.setup.line)}` : "";
  return h("ul", null, (d.plan ?? []).map((/** @type {any} */ p) => h("li", null, `Position ${p.name}: `, p.distance_um !== undefined && `distance ${lengthText(p.distance_um)}${from}; `, p.height_um !== undefined && `height ${lengthText(p.height_um)} above the plane of the wheels; `,
    p.lateral_um === 0 ? "on the line" : p.lateral_um !== undefined && [`${lengthText(Math.abs(p.lateral_um))} `, toSide(p.lateral_um > 0 ? "left" : "right")])));
}

/** Whether a step had the target fitted. @param {Trail} t @param {number} number */
const fitted = (t, number) => t.calibration.some((x) => x.body.type === "instructed" && x.body.decided.number === number && x.body.decided.says?.step === "fit-target");

/** @param {Trail} t @param {import("./proving.js").Entry} e @param {boolean} behind the fixture stands behind the car @returns {Told} */
export function tell(t, e, behind) {
  const b = e.body, d = b.command.data, made = b.decided, plain = t.plain;
  const reason = (/** @type {any} */ v) => (v ? [h("q", null, plain(v))] : []);
  const said = (/** @type {any} */ what, /** @type {any[]} */ more = [], /** @type {string} */ out = "", /** @type {How} */ how = "declared") => ({ what, more, how, ...(out && { out }) });
  const at = (/** @type {any} */ x) => (x?.position ? `, position ${x.position}` : "");
  const asks = (/** @type {string} */ name) => t.gates.get(name)?.asks; // a procedure's sentence, beneath the name
  switch (b.stream.kind + "/" + b.type) {
    case "calibration/opened": return said(`Calibration opened: ${sensor(d.sensor).toLowerCase()}`, made.procedure ? [`Procedure "${b.facts.find((/** @type {any} */ f) => f.name.startsWith("procedure/"))?.value.procedure?.title ?? made.procedure.id}", version ${made.procedure.version}, digest ${made.procedure.digest}.`] : []);
    case "calibration/gate-recorded": {
      return said([made.met ? "Met: " : "Not met: ", gate(d.gate)], [asks(d.gate), d.value && `Figure: ${amountText(d.value.amount, d.value.unit)}.`, made.cautioned && "Outside its stricter limits."].filter(Boolean), made.met ? (made.cautioned ? "Conditions met with a caution" : "") : "Conditions not met", d.evidence);
    }
    case "calibration/waived": return said(d.what === "gate" ? ["Let pass by the desk: ", gate(d.gate)] : `Let pass by the desk: verdict "${verdict(made)}"${at(made)}`, [d.what === "gate" && asks(d.gate), ...reason(d.reason)].filter(Boolean), "Waivers");
    case "calibration/sheet-issued": {
      const sheet = sheetOf(b);
      return said(`Set-up sheet ${made.sheet ?? ""} issued: target ${made.target ?? ""}`, [`${sheet.source ? `From ${sheet.source.title}, ${sheet.source.dated}, version ${sheet.source.version}. ` : ""}${d.from_procedure ? `Set-up "${d.from_procedure.set_up}" of the procedure. ` : ""}Limits ${sheet.limits === "own" ? "are the shop's own" : "as the source states them"}.`, wanted(sheet)], sheet.limits === "own" ? "Limits of the shop's own" : "", "typed");
    }
    case "calibration/sheet-adopted": return said("Set-up sheet adopted by the desk");
    case "calibration/guidance-requested": return said("A specialist was asked for");
    case "calibration/claimed": return said("The desk took it on");
    case "calibration/declined": return said("The desk declined it", reason(d.reason), "Changes of hands");
    case "calibration/returned": return said("The desk gave it back", reason(d.reason), "Changes of hands");
    case "calibration/lapsed": return said(`The desk was not heard of for ${Math.round(d.unheard_s / 60)} min: its claim ended`, [], "Changes of hands");
    case "calibration/handover-offered": return said("A hand-over was offered", reason(d.points));
    case "calibration/handed-over": return said("Taken over from a colleague", [], "Changes of hands");
    case "calibration/taken-over": return said("Taken over from a colleague who was not heard of", reason(d.reason), "Changes of hands");
    case "calibration/instructed": return said(["Step ", made.number, ": ", step(made.says)]);
    case "calibration/read-back": return said(["Step ", d.step, " read back: ", step({ ...d, step: "" }), made.matches ? ", as said" : ", not what the desk said"], made.wrong ? [`Wrong: ${made.wrong.join(", ")}.`] : [], made.matches ? "" : "Read back wrong");
    case "calibration/corrected": return said(`Step ${d.step}: said again`);
    case "calibration/confirmed": return said(`Step ${d.step}: confirmed`);
    case "calibration/step-withdrawn": return said(`Step ${d.step}: withdrawn`);
    case "calibration/step-done": return said(`Step ${d.step}: done${at(made)}`, fitted(t, d.step) ? [made.fallen ? "The board was touched: what was measured before no longer stands." : "The board was not touched."] : []);
    case "calibration/readings-reported": {
      const v = made.verdict, within = v?.verdict === "within";
      return said([`${d.readings.length} ${d.readings.length === 1 ? "reading" : "readings"}${at(made)}`, v && [". Computed from all readings that stand: ", h("b", { class: within ? "met" : "bay" }, verdict(v))]],
        [readings(t, made.stands ?? d.readings, behind, datumAt(t, e), v?.suspects), v?.judged && h("ul", { class: "judged-told" }, v.judged.map((/** @type {any} */ j) => judged(j, behind)))].filter(Boolean), v && !within && v.verdict !== "undetermined" ? "Not within limits, or not sure, when measured" : "", "measured");
    }
    case "calibration/locked": return said(`Clamps tight${at(made)}`);
    case "calibration/frozen": return said(`Set-up frozen${at(made)}`);
    case "calibration/closing-reported": {
      const held = made.closing?.verdict === "held";
      return said(`Closing readings${at(made)}: ${held ? "it stands as before" : "it has moved"}`, [readings(t, d.readings, behind, datumAt(t, e))], held ? "" : "Moved since it was measured", "measured");
    }
    case "calibration/word-given": return said(b.by.role === "technician" ? `Bay clear${at(made)}` : `Go${at(made)}`);
    case "calibration/leg-started": return said(`Both words given: leg ${made.leg} of attempt ${made.attempt} runs${at(made)}`, made.waived ? ["On a verdict that was let pass."] : []);
    case "calibration/leg-ended": return said(`Leg ${made.leg} of attempt ${made.attempt}${at(made)}: ${OUTCOME(d.outcome)}`, [d.values && "As the routine showed: " + d.values.map((/** @type {any} */ v) => `${v.name} ${v.value}${v.unit ? " " + v.unit : ""}`).join("; ") + ".", ...reason(d.note)].filter(Boolean), d.outcome === "completed" ? "" : "Legs not completed");
    case "calibration/drive-recorded": return said(`Drive ${made.drive} recorded: ${made.met ? "all windows met" : "not all windows met"}`, [made.windows?.map((/** @type {any} */ x) => `${sentence(x.window)}: ${x.met ? "met" : "not met"}, ${clock(x.within_s * 1000)} min within`).join("; "), d.driver && `Driver ${plain(d.driver)}.`, d.second_person && `Second person ${plain(d.second_person)}.`].filter(Boolean), made.met ? "" : "Drives that did not meet all", "measured");
    case "calibration/stopped": return said(["Stopped", made.interrupted ? ` in leg ${made.interrupted.leg}` : ""], [], "Stops");
    case "calibration/restart-agreed": return said("Agreed to go on after the stop");
    case "calibration/restarted": return said(`Went on after the stop${made.same_attempt ? ", same attempt" : ", another attempt"}`);
    case "calibration/setup-voided": return said([`Set-up void: ${/** @type {any} */ (CAUSES)[d.cause]?.toLowerCase() ?? OUTCOME(d.cause)}`, at(made)], [], "Set-ups that became void");
    case "calibration/noted": case "job/noted": return said(["Note: ", h("q", null, plain(d.text))], [], "Notes");
    case "calibration/photo-attached": {
      const of = d.of.gate ? gate(d.of.gate) : d.of.step ? `step ${d.of.step}` : `readings of entry ${d.of.reading}`;
      return said(["Photo attached: ", of], [d.of.gate && asks(d.of.gate), ...reason(d.caption), photos.show((m) => m.still(`/v1/calibrations/${t.id}/photos/${d.photo}`, d, marks(t, d.photo), `Photo: ${of}`)), `SHA-256 of the sealed photo ${d.sha256}`].filter(Boolean), "", "photographed");
    }
    case "calibration/photo-marked": return said("Drawn on a photo", reason(d.text));
    case "calibration/result-declared": return said(["Declared: ", h("b", null, OUTCOME(d.outcome))], [made.positions?.length && made.positions.map((/** @type {any} */ p) => `Position ${p.position}: ${OUTCOME(p.outcome)}${p.attempt ? ` (attempt ${p.attempt}, leg ${p.leg})` : ""}`).join("; ") + ".",
      d.evaluation && `The vehicle ${d.evaluation.routine_confirmed ? "took it over" : "did not take it over"}; warning lamps ${OUTCOME(d.evaluation.lamps)}.`, made.cautions?.length && `Noted with it: ${made.cautions.map(sentence).join("; ")}.`, ...reason(d.reason), ...reason(d.remarks)].filter(Boolean), made.cautions?.length ? "Declared with a caution" : d.outcome === "completed" ? "" : "Outcomes other than completed");
    case "calibration/signed": return said(`Signed as ${b.by.role}`, [], made.again ? "Signed by one person in two roles" : "");
    case "calibration/notice-handed-over": return said(`Customer's notice ${d.refused ? "refused by" : "handed to"} the ${OUTCOME(d.to)}, ${OUTCOME(d.how)}`, [`SHA-256 of the notice ${d.sha256}`]);
    case "calibration/closed": return said("Closed");
    case "calibration/reopened": return said("Reopened", reason(d.reason), "Reopened");
    case "job/job-opened": return said("Job opened", [car(d, plain)].filter(Boolean), "", "typed");
    case "job/vehicle-described": return said("Of the car, corrected or added", [car(d, plain)].filter(Boolean), "Corrections to the job", "typed");
    case "job/work-described": return said("Of the work, corrected or added", [car(d, plain)].filter(Boolean), "Corrections to the job", "typed");
    case "job/vehicle-announced": return said(`The car gave its VIN: ${plain(d.vin)}`, [], "", "measured");
    case "job/vin-settled": return said(`Two VINs differed: the ${d.right === "typed" ? "typed one" : "car's own"} is right`, reason(d.reason), "VINs that differed");
    case "job/alignment-attached": return said(`Wheel alignment ${d.when} the work: ${alignmentWords({ wheels: d.wheels, thrust_udeg: made.thrust_udeg })}`, [d.steering_zero_done === false && "The steering's zero was not set."].filter(Boolean), "", "measured");
    case "job/scan-recorded": return said(`Scan ${d.when} the work: ${d.codes.length ? d.codes.map((/** @type {any} */ c) => c.code + (c.blocking ? " (holds the routine back)" : "")).join(", ") : "no codes"}`, [], "", d.source === "device" ? "measured" : "typed");
    case "job/interface-tied": return said("A vehicle interface is in this car: the VIN that it gives is held against the job's");
    case "job/interface-untied": return said("The vehicle interface is out of the car");
    case "job/job-withdrawn": return said(`Job withdrawn: ${OUTCOME(d.cause)}`, reason(d.reason), "Job withdrawn");
  }
  return said(sentence(b.type));
}

/** What a job's entry says of car and work. @param {any} d @param {(v: any) => string} plain */
export function car(d, plain) {
  return [d.plate && `Plate ${plain(d.plate)}`, d.vin && `VIN ${plain(d.vin)}`, d.mileage_km !== undefined && `${d.mileage_km} km`, d.steering && `steering wheel on vehicle ${d.steering.toUpperCase()}`, d.causes && `because of ${d.causes.map(OUTCOME).join(", ")}`,
    d.sensors && (d.sensors.none_fitted ? "no sensor fitted" : `affected: ${d.sensors.affected.map((/** @type {string} */ s) => sensor(s).toLowerCase()).join(", ") || "none"}`), d.customer_told !== undefined && (d.customer_told ? "customer told before the work" : "customer not told before the work"),
    d.customer_reference && `customer's reference ${plain(d.customer_reference)}`].filter(Boolean).join("; ");
}
