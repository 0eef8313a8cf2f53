// @ts-check
"use strict";
