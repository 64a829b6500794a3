"""What every report says about its own limits."""

from __future__ import annotations

__all__ = [
    "CAUTIONS",
    "FIRST_CAUTIONS",
    "FIRST_UNREFERENCED",
    "FOOTER",
    "NOT_STATED",
    "OF_SEATING",
    "UNREFERENCED_CAUTIONS",
]

OF_SEATING = (
    "Predicted gaps assume rigid and perfectly made framework and implants; manufacture, screw "
    "preload, bone and soft tissue are not included."
)
"""What to bear in mind where gaps are shown."""

CAUTIONS = (
    "This report evaluates a measuring workflow. It is not a medical device, and it does not "
    "replace clinical judgement.",
    "The fit of a prosthesis must be verified on the patient, by licensed practitioners and under "
    "local rules.",
    "The results are valid only for the models, devices, software versions, scan bodies, "
    "operators, conditions and period studied.",
    "The scans were made in vitro. In the mouth, larger deviations must be expected because of "
    "saliva, movement, soft tissue and limited access.",
    "Limits are set by the user, with their sources stated. The literature does not agree on a "
    "limit of misfit.",
    "No statement in this report is a claim of conformity with a standard for testing scanning "
    "devices. Terms of ISO 5725 and ISO 14253-1 are used as defined there.",
    OF_SEATING,
    "A study must not contain patient data. If a file or label of this study contains any, remove "
    "it and regenerate the report.",
)
"""One caution a string; a report prints all that concern what it shows."""

FIRST_CAUTIONS = (
    "In vitro scans: larger deviations must be expected in the mouth. The fit of a prosthesis must "
    "be verified on the patient. Limits are set by the user. See Limits of use."
)
"""The most important of them, for the first page."""

NOT_STATED = (
    "Trueness, bias and conformity with a limit are not stated: without a reference, the true "
    "distances are unknown, and an error common to all scans, such as a scale error, remains "
    "undetected. A reference measurement of the model on a coordinate measuring machine would "
    "provide them from the same scans, including the supported span."
)
"""What a report without a reference cannot say, and what a measured model would add."""

FIRST_UNREFERENCED = (
    "In vitro scans: larger scatter must be expected in the mouth. Scans that agree with each "
    "other may all have the same error. The fit of a prosthesis must be verified on the patient. "
    "See Limits of use."
)
"""The most important cautions of a report without a reference."""

UNREFERENCED_CAUTIONS = (
    "Scans were compared only with each other. Small scatter does not show that distances are "
    "correct: an error common to all scans is not included in any of these results.",
    *CAUTIONS[:3],
    "The scans were made in vitro. In the mouth, larger scatter must be expected because of "
    "saliva, movement, soft tissue and limited access.",
    "No statement in this report is a claim of agreement with a standard for testing scanning "
    "devices. Terms of ISO 5725 are used as defined there.",
    *CAUTIONS[-2:],
)
"""The cautions of a report without a reference."""

FOOTER = "Evaluation of a measuring workflow. Not a medical device; no clinical decision."
